import type { CycleRecord, Session, SessionMeasures, Spread } from "./session.ts";

/** Pressures that cycles are held against; exsufflation is negative. */
export interface SetPressures {
  readonly insufflationPressureCmH2O?: number;
  readonly exsufflationPressureCmH2O?: number;
}

/** What the records tell of a session: enough cycles short of the set pressure, not enough, or not to be told. */
export type ShortOfPressure = "short" | "not-short" | "cannot-tell";

// 0.8 × 35 and the like are not exact in binary fractions; a peak of exactly the tolerance is not short.
const ROUNDING = 1e-9;

/** Cycles of a session that does not state them: four sets of five (Lachal et al. 2019, Respir Care 64(7):752: five a set). */
const USUAL_CYCLES = 20;

/**
 * How many cycles fell short of the set pressure by more than `toleranceShare` of it, in insufflation or exsufflation.
 * A cycle that states no pressure which was set counts for nothing; undefined when that is so of all of them.
 */
export function cyclesShortOfPressure(
  cycles: readonly CycleRecord[],
  set: SetPressures,
  toleranceShare: number,
): number | undefined {
  let [judged, short] = [0, 0];
  for (const cycle of cycles) {
    const insufflation = shortBy(cycle.peakInsufflationPressureCmH2O, set.insufflationPressureCmH2O, toleranceShare);
    const exsufflation = shortBy(cycle.peakExsufflationPressureCmH2O, set.exsufflationPressureCmH2O, toleranceShare);
    if (insufflation === undefined && exsufflation === undefined) continue;
    judged += 1;
    if (insufflation === true || exsufflation === true) short += 1;
  }
  return judged === 0 ? undefined : short;
}

/**
 * Whether more than `cyclesShare` of a session's cycles fell short by more than `toleranceShare`. The count of short
 * cycles tells, where the record had its cycles; one that states no pressure counts as not short. Otherwise the spread
 * does, as far as it can: each percentile bounds how many cycles can be short, and in between nobody can tell.
 * `prescribed` stands in where the device recorded no set pressure.
 */
export function shortOfPressure(
  session: Session,
  prescribed: SetPressures,
  { toleranceShare, cyclesShare }: { readonly toleranceShare: number; readonly cyclesShare: number },
): ShortOfPressure {
  const { cyclesShortOfPressure: short, cyclesDelivered } = session;
  if (short !== undefined && cyclesDelivered !== undefined && cyclesDelivered > 0) {
    return short > cyclesShare * cyclesDelivered + ROUNDING ? "short" : "not-short";
  }
  const cycles = cyclesDelivered !== undefined && cyclesDelivered > 0 ? cyclesDelivered : USUAL_CYCLES;
  const shares = [
    shareShort(
      session.achievedInsufflationPressureCmH2O,
      session.setInsufflationPressureCmH2O ?? prescribed.insufflationPressureCmH2O,
      { toleranceShare, cycles },
    ),
    shareShort(
      session.achievedExsufflationPressureCmH2O,
      session.setExsufflationPressureCmH2O ?? prescribed.exsufflationPressureCmH2O,
      { toleranceShare, cycles },
    ),
  ].filter((share) => share !== undefined);
  if (shares.length === 0) return "cannot-tell";
  if (shares.some((share) => share.least > cyclesShare + ROUNDING)) return "short";
  // Both pressures together: cycles short of one may be others than those short of the other.
  const most = shares.reduce((sum, share) => sum + share.most, 0);
  return most <= cyclesShare + ROUNDING ? "not-short" : "cannot-tell";
}

/** The pressures that a session was set to, as far as it recorded them. */
export function recordedPressures(measures: SessionMeasures): SetPressures {
  const { setInsufflationPressureCmH2O: insufflation, setExsufflationPressureCmH2O: exsufflation } = measures;
  return {
    ...(insufflation !== undefined && { insufflationPressureCmH2O: insufflation }),
    ...(exsufflation !== undefined && { exsufflationPressureCmH2O: exsufflation }),
  };
}

function shortBy(peak: number | undefined, set: number | undefined, toleranceShare: number): boolean | undefined {
  if (peak === undefined || set === undefined || set === 0) return undefined;
  // Suction has a negative sign on both, so the share of what was reached reads the same.
  return peak / set < 1 - toleranceShare - ROUNDING;
}

/**
 * The least and the most share of cycles that can be short, by what the percentiles say. A percentile lies between two
 * neighbouring cycles (type 7 of Hyndman & Fan 1996, as `percentile` takes it): if it is short, so is the weaker of them
 * and all below; if it is not, neither is the stronger nor any above.
 */
function shareShort(
  spread: Spread | undefined,
  set: number | undefined,
  { toleranceShare, cycles }: { readonly toleranceShare: number; readonly cycles: number },
): { readonly least: number; readonly most: number } | undefined {
  if (spread === undefined || set === undefined || set === 0) return undefined;
  // By the numbers with their sign: for suction the 95th percentile is the weakest.
  const [weakest, strongest] = set < 0 ? [spread.p95, spread.p5] : [spread.p5, spread.p95];
  let [least, most] = [0, cycles];
  for (const [value, share] of [
    [weakest, 0.05],
    [spread.median, 0.5],
    [strongest, 0.95],
  ] as const) {
    const position = (cycles - 1) * share;
    const short = shortBy(value, set, toleranceShare);
    if (short === true) least = Math.max(least, Math.floor(position + ROUNDING) + 1);
    if (short === false) most = Math.min(most, Math.ceil(position - ROUNDING));
  }
  return { least: least / cycles, most: most / cycles };
}
