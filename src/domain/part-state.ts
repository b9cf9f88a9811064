import { addInterval, daysBetween } from "./local-day.ts";
import type { FittedPart, PartKind, PartUse } from "./part.ts";
import { type ReplacementLimit, replacementLimits, useOfPart } from "./part-limit.ts";
import type { Picture } from "./picture.ts";
import type { LocalDay } from "./time.ts";

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
  /** Whether anything is asked of it: it is fitted, and its machine is with the patient. */
  readonly asked: boolean;
  /** Whole days since `replaceByDay`; 0 unless overdue. */
  readonly daysOverdue: number;
  /** The last day in time, by the shortest limit; absent when nothing limits it, it has ended, or nothing is asked of it. */
  readonly replaceByDay?: LocalDay;
  /** The first day on which it was due or due soon, or will be; present with `replaceByDay`. */
  readonly dueSoonDay?: LocalDay;
  /** The limit that `replaceByDay` comes from. */
  readonly limit?: ReplacementLimit;
  /** Use since it was fitted; present where its kind has a use limit. */
  readonly use?: PartUse;
  /** The day by which it is to be checked again; present while it is in use, something is asked of it and its kind is checked. */
  readonly checkByDay?: LocalDay;
  /** The first day on which it is no longer fitted, also one that lies ahead. */
  readonly endDay?: LocalDay;
}

/**
 * The state of every part of the picture, in the order fitted.
 * Fitting a new part of the same kind on the same machine ends the one before it, however old that is. While the machine
 * is not with the patient, or the patient has died, nothing is asked of a part: it is `in-use` without `replaceByDay`.
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
      asked: false,
    };
    if (endDay !== undefined && endDay <= picture.today) {
      return { ...facts, state: next !== undefined && next.fittedDay <= picture.today ? "replaced" : "removed" };
    }
    const hasUseLimit = kind?.replaceAfterSessions !== undefined || kind?.replaceAfterHours !== undefined;
    const used = { ...facts, ...(hasUseLimit && { use: useOfPart(picture, part) }) };
    if (asksNothing(picture, part)) return { ...used, state: "in-use" };
    return { ...used, asked: true, ...checkOf(part, kind), ...dueOf(picture, replacementLimits(picture, part, kind)) };
  });
}

type Due = Pick<PartState, "state" | "daysOverdue" | "replaceByDay" | "dueSoonDay" | "limit">;

function dueOf({ today }: Picture, limits: readonly ReplacementLimit[]): Due {
  // The shortest wins.
  const limit = limits.reduce<ReplacementLimit | undefined>(
    (a, b) => (a === undefined || b.day < a.day ? b : a),
    undefined,
  );
  const dueSoonDay = earliest(...limits.map((one) => one.fromDay));
  if (limit === undefined || dueSoonDay === undefined) return { state: "in-use", daysOverdue: 0 };
  const daysOverdue = Math.max(0, daysBetween(limit.day, today));
  const state = daysOverdue > 0 ? "overdue" : limit.day === today ? "due" : "due-soon";
  return {
    state: today < dueSoonDay ? "in-use" : state,
    daysOverdue,
    replaceByDay: limit.day,
    dueSoonDay,
    limit,
  };
}

function checkOf(part: FittedPart, kind: PartKind | undefined): Pick<PartState, "checkByDay"> {
  if (kind?.checkAfter === undefined) return {};
  const { checkedDay } = part;
  const sinceDay = checkedDay !== undefined && checkedDay > part.fittedDay ? checkedDay : part.fittedDay;
  return { checkByDay: addInterval(sinceDay, kind.checkAfter) };
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
