import type { CycleRecord, SessionMeasures, Spread } from "./session.ts";

/**
 * What the cycles of one session say as a whole: how many were delivered and triggered, median with 5th and 95th
 * percentile of the achieved pressures, median volume and median peak cough flow (the usual cough of the session, not
 * its best). A measure that no cycle states stays absent; no cycles at all give an empty answer, for an empty list means
 * that the device reports none. To be used only for what the session does not state itself.
 */
export function summariseCycles(cycles: readonly CycleRecord[]): Partial<SessionMeasures> {
  if (cycles.length === 0) return {};
  const triggers = stated(cycles.map((cycle) => cycle.triggered));
  const insufflation = spreadOf(stated(cycles.map((cycle) => cycle.peakInsufflationPressureCmH2O)));
  const exsufflation = spreadOf(stated(cycles.map((cycle) => cycle.peakExsufflationPressureCmH2O)));
  const volume = spreadOf(stated(cycles.map((cycle) => cycle.insufflatedVolumeMillilitres)));
  const flow = spreadOf(stated(cycles.map((cycle) => cycle.peakCoughFlowLitresPerMinute)));
  return {
    cyclesDelivered: cycles.length,
    ...(triggers.length > 0 && { cyclesTriggered: triggers.filter((triggered) => triggered).length }),
    ...(insufflation !== undefined && { achievedInsufflationPressureCmH2O: insufflation }),
    ...(exsufflation !== undefined && { achievedExsufflationPressureCmH2O: exsufflation }),
    ...(volume !== undefined && { insufflatedVolumeMillilitres: volume.median }),
    ...(flow !== undefined && { peakCoughFlowLitresPerMinute: flow.median }),
  };
}

/**
 * The value below which `share` (0 to 1) of the values lie, with linear interpolation between neighbours: type 7 of
 * Hyndman & Fan 1996, The American Statistician 50(4):361-365. Absent for no values.
 */
export function percentile(values: readonly number[], share: number): number | undefined {
  const sorted = [...values].sort((a, b) => a - b);
  const position = (sorted.length - 1) * share;
  const below = sorted[Math.floor(position)];
  const above = sorted[Math.ceil(position)];
  if (below === undefined || above === undefined) return undefined;
  return below + (above - below) * (position - Math.floor(position));
}

function spreadOf(values: readonly number[]): Spread | undefined {
  const [median, p5, p95] = [percentile(values, 0.5), percentile(values, 0.05), percentile(values, 0.95)];
  if (median === undefined || p5 === undefined || p95 === undefined) return undefined;
  return { median, p5, p95 };
}

function stated<T>(values: readonly (T | undefined)[]): T[] {
  return values.filter((value): value is T => value !== undefined);
}
