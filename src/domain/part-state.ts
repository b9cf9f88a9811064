import { qualifies } from "./day-state.ts";
import { addDays, addInterval, daysBetween } from "./local-day.ts";
import type { FittedPart, PartKind } from "./part.ts";
import type { Picture } from "./picture.ts";
import type { LocalDay } from "./time.ts";

/** What asks for a part's replacement, and the last day on which replacing it is in time. */
export interface ReplacementLimit {
  readonly reason: "interval" | "use-limit" | "soiled";
  readonly day: LocalDay;
  /** The first day on which it is worth acting on: the lead time to reorder comes off what can be foreseen. */
  readonly fromDay: LocalDay;
}

/** One fitted part on the day of the picture. */
export interface PartState {
  readonly part: FittedPart;
  /** Absent when the thresholds know no such kind; then only a report of soiling or damage makes it due. */
  readonly kind?: PartKind;
  /**
   * `due-soon`: within the lead time. `due`: on `replaceByDay`. `overdue`: later. `replaced`: a newer part of the kind is
   * fitted. `removed`: taken off and none fitted since.
   */
  readonly state: "in-use" | "due-soon" | "due" | "overdue" | "replaced" | "removed";
  /** Whole days since `replaceByDay`; 0 unless overdue. */
  readonly daysOverdue: number;
  /** The last day in time, by the shortest limit; absent when nothing limits it, it has ended, or nothing is asked of it. */
  readonly replaceByDay?: LocalDay;
  /** The first day on which it was due or due soon, or will be; present with `replaceByDay`. */
  readonly dueSoonDay?: LocalDay;
  /** The limit that `replaceByDay` comes from. */
  readonly limit?: ReplacementLimit;
  /** Qualifying sessions since it was fitted, as far as the picture's sessions reach; present where its kind has a use limit. */
  readonly sessionsUsed?: number;
  /** The first day on which it is no longer fitted, also one that lies ahead. */
  readonly endDay?: LocalDay;
}

/**
 * The state of every part of the picture, in the order fitted.
 * Fitting a new part of the same kind on the same machine ends the one before it. While the machine is not with the
 * patient, or the patient has died, nothing is asked of a part: it is `in-use` without `replaceByDay`.
 */
export function partStates(picture: Picture): PartState[] {
  const parts = [...picture.parts].sort(byFitting);
  return parts.map((part, index) => {
    const kind = picture.thresholds.partKinds.find((candidate) => candidate.code === part.kind);
    const next = parts.slice(index + 1).find((later) => later.kind === part.kind && sameMachine(later, part));
    const endDay = earliest(part.removedDay, next?.fittedDay);
    const facts = {
      part,
      ...(kind !== undefined && { kind }),
      ...(endDay !== undefined && { endDay }),
      daysOverdue: 0,
    };
    if (endDay !== undefined && endDay <= picture.today) {
      return { ...facts, state: next !== undefined && next.fittedDay <= picture.today ? "replaced" : "removed" };
    }
    const worn = kind?.replaceAfterSessions === undefined ? undefined : daysOfUse(picture, part);
    const used = { ...facts, ...(worn !== undefined && { sessionsUsed: worn.length }) };
    const limits = asksNothing(picture, part) ? [] : limitsOf(picture, part, kind, worn ?? []);
    // The shortest wins.
    const limit = limits.reduce<ReplacementLimit | undefined>(
      (a, b) => (a === undefined || b.day < a.day ? b : a),
      undefined,
    );
    const dueSoonDay = earliest(...limits.map((one) => one.fromDay));
    if (limit === undefined || dueSoonDay === undefined) return { ...used, state: "in-use" };
    const daysOverdue = Math.max(0, daysBetween(limit.day, picture.today));
    const state = daysOverdue > 0 ? "overdue" : limit.day === picture.today ? "due" : "due-soon";
    return {
      ...used,
      state: picture.today < dueSoonDay ? "in-use" : state,
      daysOverdue,
      replaceByDay: limit.day,
      dueSoonDay,
      limit,
    };
  });
}

// A modifier of the replacement rule is one more limit in this list.
function limitsOf(
  picture: Picture,
  part: FittedPart,
  kind: PartKind | undefined,
  worn: readonly LocalDay[],
): ReplacementLimit[] {
  const limits: ReplacementLimit[] = [];
  if (kind?.replaceAfter !== undefined) {
    const day = addInterval(part.fittedDay, kind.replaceAfter);
    const leadDays = Math.min(kind.leadDays, daysBetween(part.fittedDay, day));
    limits.push({ reason: "interval", day, fromDay: addDays(day, -leadDays) });
  }
  const lastSession = kind?.replaceAfterSessions === undefined ? undefined : worn[kind.replaceAfterSessions - 1];
  if (lastSession !== undefined) limits.push({ reason: "use-limit", day: lastSession, fromDay: lastSession });
  const soiled = part.soiledDay;
  if (soiled !== undefined && soiled >= part.fittedDay && soiled <= picture.today) {
    limits.push({ reason: "soiled", day: soiled, fromDay: soiled });
  }
  return limits;
}

function asksNothing(picture: Picture, part: FittedPart): boolean {
  if (picture.deceasedDay !== undefined && picture.deceasedDay <= picture.today) return true;
  return !picture.machineUses.some(
    (use) =>
      (part.machineId === undefined || use.deviceId === part.machineId) &&
      use.startMs <= picture.nowMs &&
      (use.endMs === undefined || picture.nowMs < use.endMs),
  );
}

function daysOfUse(picture: Picture, part: FittedPart): LocalDay[] {
  return picture.sessions
    .filter((session) => session.localDay >= part.fittedDay && qualifies(session, picture.thresholds.minimumCycles))
    .filter((session) => part.machineId === undefined || session.deviceId === part.machineId)
    .map((session) => session.localDay)
    .sort();
}

// A part whose machine nobody recorded may be on any of them; otherwise it would never be seen replaced.
function sameMachine(a: FittedPart, b: FittedPart): boolean {
  return a.machineId === undefined || b.machineId === undefined || a.machineId === b.machineId;
}

function earliest(...days: readonly (LocalDay | undefined)[]): LocalDay | undefined {
  return days.reduce((a, b) => (a === undefined || (b !== undefined && b < a) ? b : a), undefined);
}

function byFitting(a: FittedPart, b: FittedPart): number {
  if (a.fittedDay !== b.fittedDay) return a.fittedDay < b.fittedDay ? -1 : 1;
  return a.partId < b.partId ? -1 : a.partId > b.partId ? 1 : 0;
}
