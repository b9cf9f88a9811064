/** A rule by which values that vary no more than usual would hardly lie as they do. */
export type RunRule = "beyond-limit" | "two-of-three" | "four-of-five" | "run-one-side" | "trend";

/** Which side of the centre a signal points to. */
export type Direction = "up" | "down";

/** What fired at one value. */
export interface RunSignal {
  readonly rule: RunRule;
  readonly direction: Direction;
}

/** Centre and one standard deviation of the chart, and which rules apply. */
export interface RunSettings {
  readonly centre: number;
  readonly sigma: number;
  /**
   * `western-electric`: beyond 3σ, 2 of 3 beyond 2σ, 4 of 5 beyond 1σ, 8 in a row on one side (Western Electric 1956, in
   * NIST/SEMATECH e-Handbook 6.3.2). `nhs`: beyond the limit, 7 in a row on one side, a trend of 7, 2 of 3 beyond two
   * thirds of the way to the limit (the rules of NHS "Making Data Count" as the R package NHSRplotthedots 0.2.2 has them).
   */
  readonly rules: "western-electric" | "nhs";
}

/** Which rule fires at each value, looking at that value and those before it; undefined where none does. */
export function runSignals(values: readonly number[], settings: RunSettings): (RunSignal | undefined)[] {
  return values.map((_, i) => {
    const seen = values.slice(0, i + 1);
    return settings.rules === "nhs" ? nhsSignal(seen, settings) : westernElectricSignal(seen, settings);
  });
}

function westernElectricSignal(seen: readonly number[], settings: RunSettings): RunSignal | undefined {
  return (
    beyond("beyond-limit", seen, settings, { of: 1, least: 1, sigmas: 3 }) ??
    beyond("two-of-three", seen, settings, { of: 3, least: 2, sigmas: 2 }) ??
    beyond("four-of-five", seen, settings, { of: 5, least: 4, sigmas: 1 }) ??
    beyond("run-one-side", seen, settings, { of: 8, least: 8, sigmas: 0 })
  );
}

// Where several apply, the order of NHSRplotthedots: outside the limits, then trend, then two of three, then shift.
function nhsSignal(seen: readonly number[], settings: RunSettings): RunSignal | undefined {
  return (
    beyond("beyond-limit", seen, settings, { of: 1, least: 1, sigmas: 3 }) ??
    trend(seen) ??
    beyond("two-of-three", seen, settings, { of: 3, least: 2, sigmas: 2 }) ??
    beyond("run-one-side", seen, settings, { of: 7, least: 7, sigmas: 0 })
  );
}

/** At least `least` of the last `of` values beyond so many sigmas on one side, the last of them included. */
function beyond(
  rule: RunRule,
  seen: readonly number[],
  { centre, sigma }: RunSettings,
  { of, least, sigmas }: { of: number; least: number; sigmas: number },
): RunSignal | undefined {
  if (seen.length < least) return undefined;
  const last = seen.slice(-of).map((value) => value - centre);
  const newest = last.at(-1) ?? 0;
  const direction: Direction = newest > 0 ? "up" : "down";
  const isBeyond = (distance: number) => (direction === "up" ? distance : -distance) > sigmas * sigma;
  return isBeyond(newest) && last.filter(isBeyond).length >= least ? { rule, direction } : undefined;
}

/** Seven values of which each is higher, or each lower, than the one before; equal neighbours break it. */
function trend(seen: readonly number[]): RunSignal | undefined {
  if (seen.length < 7) return undefined;
  const last = seen.slice(-7);
  const steps = last.slice(1).map((value, i) => value - (last[i] ?? value));
  if (steps.every((step) => step > 0)) return { rule: "trend", direction: "up" };
  return steps.every((step) => step < 0) ? { rule: "trend", direction: "down" } : undefined;
}
