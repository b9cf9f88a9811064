import { type DayState, dayStates } from "../day-state.ts";
import { addDays, laterDay, localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { changeSignalDays } from "../picture-window.ts";
import { planInForce } from "../plan-in-force.ts";
import type { ChangeSignalSettings } from "../thresholds.ts";
import type { LocalDay } from "../time.ts";
import { cusumPoints } from "./cusum.ts";
import { ewmaPoints } from "./ewma.ts";
import { type IndividualsLimits, individualsLimits, movingRangeFactors } from "./individuals.ts";
import { type Direction, type RunRule, runSignals } from "./run-rules.ts";

/** What fired on a day: a run rule, or the statistic of the chosen chart beyond its limit. */
export interface DaySignal {
  readonly rule: RunRule | "ewma-beyond-limit" | "cusum-beyond-decision";
  readonly direction: Direction;
}

/** One known day of the chart. */
export interface ChartPoint {
  readonly day: LocalDay;
  /** Qualifying sessions of the day. */
  readonly value: number;
  readonly phase: "baseline" | "watched";
  /** What is held against the limits: the value itself, the moving average, or the larger of the two sums. */
  readonly statistic: number;
  readonly lower?: number;
  readonly upper: number;
  readonly signal?: DaySignal;
}

/** The change signal of one patient on the day of the picture, with everything that a chart shows. */
export interface ChangeSignal {
  readonly method: ChangeSignalSettings["method"];
  /** Why there is no chart. */
  readonly absentReason?: "no-plan" | "baseline-incomplete" | "baseline-too-old";
  /** Where the baseline begins, and how many known days it has of those it needs. */
  readonly baselineDay?: LocalDay;
  readonly baselineKnownDays: number;
  readonly centre?: number;
  readonly sigma?: number;
  readonly points: readonly ChartPoint[];
  readonly firstSignalDay?: LocalDay;
  readonly latestSignal?: DaySignal & { readonly day: LocalDay };
}

/**
 * The least standard deviation, in sessions a day: with a baseline that never varied, one session more or less would
 * otherwise lie outside the limits. Choice of this service, no published source.
 */
export const leastSigma = 1 / 3;

/**
 * Watches the sessions of known, eligible days for change. Centre and spread come from the first `baselineDays` of them
 * since the plan began, or since a person set the baseline anew (`Plan.baselineDay`), and stay as they are from then on.
 * The picture must hold the sessions since then; it looks back `changeSignalDays` at most.
 */
export function changeSignal(picture: Picture): ChangeSignal {
  const { changeSignal: settings } = picture.thresholds;
  const { method, baselineDays } = settings;
  const plan = planInForce(picture.plans, picture.today);
  if (plan === undefined) return { method, absentReason: "no-plan", baselineKnownDays: 0, points: [] };
  const rebased =
    plan.baselineDay !== undefined && plan.baselineDay <= picture.today ? plan.baselineDay : plan.firstDay;
  const baselineDay = laterDay(rebased, plan.firstDay);
  const begun = { method, baselineDay, baselineKnownDays: 0, points: [] };
  if (baselineDay < addDays(picture.today, -changeSignalDays)) return { ...begun, absentReason: "baseline-too-old" };
  const handedOver = picture.machineUses.map((use) => localDayOf(use.startMs, picture.zone)).sort()[0];
  // Days before the first machine are not eligible; skipping them spares their arithmetic.
  const firstDay = handedOver !== undefined && handedOver > baselineDay ? handedOver : baselineDay;
  const known = dayStates(picture, firstDay, picture.today).filter((day) => day.eligible && day.state !== "unknown");
  const baselineKnownDays = Math.min(known.length, baselineDays);
  if (known.length < baselineDays) {
    const points = known.map(({ day, sessions }) => plainPoint(day, sessions));
    return { ...begun, absentReason: "baseline-incomplete", baselineKnownDays, points };
  }
  const factor = method === "xmr-2.66" ? movingRangeFactors.rounded : movingRangeFactors.exact;
  const found = individualsLimits(
    known.slice(0, baselineDays).map((day) => day.sessions),
    factor,
  );
  const sigma = Math.max(found.sigma, leastSigma);
  const points = pointsOf(known, { ...found, sigma }, settings);
  const signalled = points.filter((point) => point.signal !== undefined);
  const latest = signalled.at(-1);
  return {
    ...begun,
    baselineKnownDays,
    centre: found.centre,
    sigma,
    points,
    ...(signalled[0] !== undefined && { firstSignalDay: signalled[0].day }),
    ...(latest?.signal !== undefined && { latestSignal: { ...latest.signal, day: latest.day } }),
  };
}

/** A day of a baseline that is not complete: nothing is held against it yet. */
function plainPoint(day: LocalDay, value: number): ChartPoint {
  return { day, value, phase: "baseline", statistic: value, upper: Number.POSITIVE_INFINITY };
}

function pointsOf(
  known: readonly DayState[],
  limits: Pick<IndividualsLimits, "centre" | "sigma">,
  settings: ChangeSignalSettings,
): ChartPoint[] {
  const { centre, sigma } = limits;
  const baseline = known.slice(0, settings.baselineDays);
  const watched = known.slice(settings.baselineDays);
  const [lower, upper] = [centre - 3 * sigma, centre + 3 * sigma];
  const values = watched.map((day) => day.sessions);
  return [
    ...baseline.map(
      ({ day, sessions: value }): ChartPoint => ({ day, value, phase: "baseline", statistic: value, lower, upper }),
    ),
    ...watchedPoints(values, limits, settings).map(
      (point, i): ChartPoint => ({
        day: watched[i]?.day ?? "",
        value: values[i] ?? 0,
        phase: "watched",
        ...point,
      }),
    ),
  ];
}

type Watched = Pick<ChartPoint, "statistic" | "lower" | "upper" | "signal">;

function watchedPoints(
  values: readonly number[],
  { centre, sigma }: Pick<IndividualsLimits, "centre" | "sigma">,
  settings: ChangeSignalSettings,
): Watched[] {
  if (settings.method === "ewma") {
    const { ewmaLambda: lambda, ewmaWidth: width } = settings;
    return ewmaPoints(values, { centre, sigma, lambda, width }).map((point) => ({
      ...point,
      ...signalOf("ewma-beyond-limit", point.statistic > point.upper, point.statistic < point.lower),
    }));
  }
  if (settings.method === "cusum") {
    const upper = settings.cusumDecision * sigma;
    return cusumPoints(values, centre, settings.cusumSlack * sigma).map(({ high, low }) => ({
      statistic: Math.max(high, low),
      upper,
      ...signalOf("cusum-beyond-decision", high > upper && high >= low, low > upper && low > high),
    }));
  }
  const rules = settings.method === "xmr" ? "western-electric" : "nhs";
  return runSignals(values, { centre, sigma, rules }).map((signal, i) => ({
    statistic: values[i] ?? 0,
    lower: centre - 3 * sigma,
    upper: centre + 3 * sigma,
    ...(signal !== undefined && { signal }),
  }));
}

function signalOf(rule: DaySignal["rule"], isUp: boolean, isDown: boolean): { readonly signal?: DaySignal } {
  if (isUp) return { signal: { rule, direction: "up" } };
  return isDown ? { signal: { rule, direction: "down" } } : {};
}
