import { settleDay, timeOfDay, timeOfDayPart } from "./day-part.ts";
import { infectionOn } from "./infection.ts";
import { addDays } from "./local-day.ts";
import type { Picture } from "./picture.ts";
import { type AskedPerDay, type AskingDay, askedPerDay, isHeld, planInForce } from "./plan-in-force.ts";
import type { DayPart, Plan } from "./prescription.ts";
import { timeOfUse, union, unvouchedTimes } from "./range.ts";
import type { Session } from "./session.ts";
import type { LocalDay, TimeRange } from "./time.ts";

/** Why a day asks for nothing. `no-device`: no machine was with the patient at any time of the day. */
export type ExclusionReason =
  | "deceased"
  | "no-plan"
  | "no-device"
  | "plan-on-hold"
  | "hospital"
  | "device-away"
  | "holiday";

/** What the records tell of one asked session. */
export type SlotState = "done" | "missed" | "unknown";

/** One local day of one patient, as far as the records tell. */
export interface DayState {
  readonly day: LocalDay;
  /** A plan was in force and nothing excluded the day; it may still ask for nothing (`when-needed`). */
  readonly eligible: boolean;
  /** Present exactly when not eligible. */
  readonly excluded?: ExclusionReason;
  /** The plan in force. */
  readonly planId?: string;
  /** `unknown`: no session, and not every machine's memory was read for all of the day. Never the same as `not-used`. */
  readonly state: "used" | "not-used" | "unknown";
  /** Slots asked for; `done + missed + unknown` of them. All four are 0 on an excluded day. */
  readonly asked: number;
  readonly done: number;
  readonly missed: number;
  readonly unknown: number;
  /** Each day part asked for, by its code. */
  readonly parts: Readonly<Record<string, SlotState>>;
  /** Cycles prescribed for all slots together; absent when a profile that asks states none, or nothing is asked. */
  readonly cyclesAsked?: number;
  /** Qualifying sessions, on excluded days too. */
  readonly sessions: number;
  /** Minutes of the qualifying sessions, added up. */
  readonly minutes: number;
  /** Cycles of those qualifying sessions that state them; absent when none does. */
  readonly cycles?: number;
  /** Qualifying sessions that state no cycles. */
  readonly sessionsWithoutCycles: number;
  /** Whether every machine was read for all of the time it was with the patient that day. */
  readonly covered: boolean;
  /** Highest of the qualifying sessions that state one; absent when none does. */
  readonly bestPeakCoughFlowLitresPerMinute?: number;
}

/**
 * Whether a session counts towards use: not marked as a test, and with at least `minimumCycles` cycles. Many devices
 * report no cycles; their sessions count.
 */
export function qualifies(session: Session, minimumCycles: number): boolean {
  return session.test !== true && (session.cyclesDelivered === undefined || session.cyclesDelivered >= minimumCycles);
}

/**
 * The state of every local day of `[firstDay, endDay)`, in order; empty when `endDay` is not later.
 * A day is covered in full when every machine the patient had was read for all of the time they had it that day
 * (`unvouchedTimes`, `timeOfDay`). The running day never is, so what is still undone today is unknown, not missed.
 * The picture must hold every session of these days. On the day of the first handover, parts of the day that were over
 * before it are not asked for. On the day on which a plan comes into force at a stated time, parts that began before are
 * those of the plan before; a bare number of sessions is the new plan's.
 */
export function dayStates(picture: Picture, firstDay: LocalDay, endDay: LocalDay): DayState[] {
  const { dayParts, minimumCycles } = picture.thresholds;
  const sessionsByDay = new Map<LocalDay, Session[]>();
  for (const session of picture.sessions) {
    if (session.localDay < firstDay || session.localDay >= endDay || !qualifies(session, minimumCycles)) continue;
    const sameDay = sessionsByDay.get(session.localDay);
    if (sameDay === undefined) sessionsByDay.set(session.localDay, [session]);
    else sameDay.push(session);
  }
  const held = union(picture.machineUses.map(timeOfUse));
  const unvouched = unvouchedTimes(picture.coverage, picture.machineUses, picture.nowMs);
  const asking = askingOf(picture);
  const days: DayState[] = [];
  for (let day = firstDay; day < endDay; day = addDays(day, 1)) {
    const time = timeOfDay(day, picture.zone, dayParts);
    const plan = planInForce(picture.plans, day);
    const excluded = exclusionOf(picture, day, plan, meets(held, time));
    const covered = meets(held, time) && !meets(unvouched, time);
    const sessions = sessionsByDay.get(day) ?? [];
    const asked = plan === undefined || excluded !== undefined ? nothingAsked : asking(plan, day);
    const parts = asked.parts.filter((part) => meets(held, timeOfDayPart(day, picture.zone, part)));
    days.push({
      day,
      eligible: excluded === undefined,
      ...(excluded !== undefined && { excluded }),
      ...(plan !== undefined && { planId: plan.planId }),
      state: sessions.length > 0 ? "used" : covered ? "not-used" : "unknown",
      covered,
      ...slotsOf(sessions, { ...asked, parts }, covered, picture),
      ...totalsOf(sessions),
    });
  }
  return days;
}

const nothingAsked: AskedPerDay = { parts: [], count: 0, cyclesOfPart: {}, cyclesOfCount: 0 };

/** What a plan asks on a day; most days are alike, so the answer is kept for each plan and whether an infection lasts. */
function askingOf(picture: Picture): (plan: Plan, day: LocalDay) => AskedPerDay {
  const { dayParts } = picture.thresholds;
  const kept = new Map<Plan, Map<boolean, AskedPerDay>>();
  return (plan, day) => {
    const on: AskingDay = { day, infected: infectionOn(picture.infections, day) !== undefined };
    if (plan.startMs !== undefined && plan.firstDay === day) return askedOnFirstDay(plan, plan.startMs, on, picture);
    if (plan.profiles.some((one) => one.fromDay !== undefined || one.untilDay !== undefined)) {
      return askedPerDay(plan, on, dayParts);
    }
    const ofPlan = kept.get(plan) ?? new Map<boolean, AskedPerDay>();
    kept.set(plan, ofPlan);
    const asked = ofPlan.get(on.infected) ?? askedPerDay(plan, on, dayParts);
    ofPlan.set(on.infected, asked);
    return asked;
  };
}

/** The first day of a plan that came into force at a time of day: what began before is still the plan's before. */
function askedOnFirstDay(plan: Plan, startMs: number, on: AskingDay, picture: Picture): AskedPerDay {
  const { dayParts } = picture.thresholds;
  const asked = askedPerDay(plan, on, dayParts);
  const before = planInForce(picture.plans, addDays(on.day, -1));
  const stillAsked =
    before === undefined || before === plan || isHeld(before, on.day)
      ? nothingAsked
      : askedPerDay(before, on, dayParts);
  const beganBefore = (part: DayPart) => timeOfDayPart(on.day, picture.zone, part).startMs < startMs;
  const [early, late] = [stillAsked.parts.filter(beganBefore), asked.parts.filter((part) => !beganBefore(part))];
  const cyclesOf = (parts: readonly DayPart[], source: AskedPerDay) =>
    parts.flatMap(({ code }) => (source.cyclesOfPart[code] === undefined ? [] : [[code, source.cyclesOfPart[code]]]));
  return {
    ...asked,
    parts: dayParts.filter((part) => early.includes(part) || late.includes(part)),
    cyclesOfPart: Object.fromEntries([...cyclesOf(early, stillAsked), ...cyclesOf(late, asked)]),
  };
}

function exclusionOf(
  picture: Picture,
  day: LocalDay,
  plan: Plan | undefined,
  hadMachine: boolean,
): ExclusionReason | undefined {
  if (picture.deceasedDay !== undefined && day >= picture.deceasedDay) return "deceased";
  if (plan === undefined) return "no-plan";
  if (!hadMachine) return "no-device";
  if (isHeld(plan, day)) return "plan-on-hold";
  return picture.absences.find((a) => a.firstDay <= day && (a.endDay === undefined || day < a.endDay))?.kind;
}

function slotsOf(sessions: readonly Session[], asked: AskedPerDay, covered: boolean, picture: Picture) {
  const partsUsed = new Set(sessions.map((session) => dayPartOf(session, picture)));
  const parts: Record<string, SlotState> = {};
  let partsDone = 0;
  let cyclesAsked: number | undefined = asked.count === 0 ? 0 : asked.cyclesOfCount;
  for (const { code } of asked.parts) {
    parts[code] = partsUsed.has(code) ? "done" : covered ? "missed" : "unknown";
    if (parts[code] === "done") partsDone += 1;
    const cycles = asked.cyclesOfPart[code];
    cyclesAsked = cycles === undefined || cyclesAsked === undefined ? undefined : cyclesAsked + cycles;
  }
  // Each part done takes one session; what is left over may serve the bare count.
  const done = partsDone + Math.min(asked.count, sessions.length - partsDone);
  const total = asked.parts.length + asked.count;
  return {
    asked: total,
    done,
    missed: covered ? total - done : 0,
    unknown: covered ? 0 : total - done,
    parts,
    ...(total > 0 && cyclesAsked !== undefined && { cyclesAsked }),
  };
}

// A session that came in before its tenant named day parts carries none; its start still tells, if the day agrees.
function dayPartOf(session: Session, picture: Picture): string | undefined {
  if (session.dayPart !== undefined) return session.dayPart;
  const settled = settleDay(session.startMs, picture.zone, picture.thresholds.dayParts);
  return settled.localDay === session.localDay ? settled.dayPart : undefined;
}

function totalsOf(sessions: readonly Session[]) {
  let minutes = 0;
  let cycles: number | undefined;
  let sessionsWithoutCycles = 0;
  let best: number | undefined;
  for (const session of sessions) {
    minutes += (session.endMs - session.startMs) / 60_000;
    if (session.cyclesDelivered === undefined) sessionsWithoutCycles += 1;
    else cycles = (cycles ?? 0) + session.cyclesDelivered;
    const flow = session.peakCoughFlowLitresPerMinute;
    if (flow !== undefined) best = Math.max(best ?? flow, flow);
  }
  return {
    sessions: sessions.length,
    minutes,
    sessionsWithoutCycles,
    ...(cycles !== undefined && { cycles }),
    ...(best !== undefined && { bestPeakCoughFlowLitresPerMinute: best }),
  };
}

function meets(ranges: readonly TimeRange[], time: TimeRange): boolean {
  return ranges.some((range) => range.startMs < time.endMs && time.startMs < range.endMs);
}
