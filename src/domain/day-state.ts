import { settleDay, timeOfDay, timeOfDayPart } from "./day-part.ts";
import { addDays } from "./local-day.ts";
import type { Picture } from "./picture.ts";
import { type AskedPerDay, askedPerDay, isHeld, planInForce } from "./plan-in-force.ts";
import type { Plan } from "./prescription.ts";
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
  /** Qualifying sessions, on excluded days too. */
  readonly sessions: number;
  /** Minutes of the qualifying sessions, added up. */
  readonly minutes: number;
  /** Cycles of those qualifying sessions that state them; absent when none does. */
  readonly cycles?: number;
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
 * before it are not asked for.
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
  const askedByPlan = new Map<Plan, AskedPerDay>();
  const days: DayState[] = [];
  for (let day = firstDay; day < endDay; day = addDays(day, 1)) {
    const time = timeOfDay(day, picture.zone, dayParts);
    const plan = planInForce(picture.plans, day);
    const excluded = exclusionOf(picture, day, plan, meets(held, time));
    const covered = meets(held, time) && !meets(unvouched, time);
    const sessions = sessionsByDay.get(day) ?? [];
    let asked: AskedPerDay = { parts: [], count: 0 };
    if (plan !== undefined && excluded === undefined) {
      asked = askedByPlan.get(plan) ?? askedPerDay(plan, dayParts);
      askedByPlan.set(plan, asked);
    }
    const parts = asked.parts.filter((part) => meets(held, timeOfDayPart(day, picture.zone, part)));
    days.push({
      day,
      eligible: excluded === undefined,
      ...(excluded !== undefined && { excluded }),
      ...(plan !== undefined && { planId: plan.planId }),
      state: sessions.length > 0 ? "used" : covered ? "not-used" : "unknown",
      ...slotsOf(sessions, { parts, count: asked.count }, covered, picture),
      ...totalsOf(sessions),
    });
  }
  return days;
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
  const partsDone = asked.parts.filter((part) => partsUsed.has(part.code)).length;
  // Each part done takes one session; what is left over may serve the bare count.
  const done = partsDone + Math.min(asked.count, sessions.length - partsDone);
  const total = asked.parts.length + asked.count;
  return { asked: total, done, missed: covered ? total - done : 0, unknown: covered ? 0 : total - done };
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
  let best: number | undefined;
  for (const session of sessions) {
    minutes += (session.endMs - session.startMs) / 60_000;
    if (session.cyclesDelivered !== undefined) cycles = (cycles ?? 0) + session.cyclesDelivered;
    const flow = session.peakCoughFlowLitresPerMinute;
    if (flow !== undefined) best = Math.max(best ?? flow, flow);
  }
  return {
    sessions: sessions.length,
    minutes,
    ...(cycles !== undefined && { cycles }),
    ...(best !== undefined && { bestPeakCoughFlowLitresPerMinute: best }),
  };
}

function meets(ranges: readonly TimeRange[], time: TimeRange): boolean {
  return ranges.some((range) => range.startMs < time.endMs && time.startMs < range.endMs);
}
