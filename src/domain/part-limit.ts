import { qualifies } from "./day-state.ts";
import { infectionOn } from "./infection.ts";
import { addDays, addInterval, daysBetween, laterDay } from "./local-day.ts";
import type { FittedPart, PartKind, PartUse } from "./part.ts";
import type { Picture } from "./picture.ts";
import type { LocalDay } from "./time.ts";

/** What asks for a part's replacement, and the last day on which replacing it is in time. */
export interface ReplacementLimit {
  /**
   * `infection` and `tracheostomy`: the interval is shortened by it (`infection` where by both). `infection-course`: the
   * infection that the part was used in is over.
   */
  readonly reason: "interval" | "use-limit" | "soiled" | "infection" | "infection-course" | "tracheostomy";
  readonly day: LocalDay;
  /** The first day on which it is worth acting on: the lead time to reorder comes off what can be foreseen. */
  readonly fromDay: LocalDay;
}

/** A day of use, with what the part has been used for by its end. */
interface DayOfUse extends PartUse {
  readonly day: LocalDay;
}

/**
 * Everything that limits a part on the day of the picture; the shortest wins. An interval that is shortened counts its
 * whole days from the fitting and takes the share of them, rounded down and at least one; where an infection and a
 * tracheostomy both shorten it the shares multiply. An infection shortens it no further back than its own first day.
 */
export function replacementLimits(picture: Picture, part: FittedPart, kind: PartKind | undefined): ReplacementLimit[] {
  return [
    ...intervalLimits(picture, part, kind),
    ...useLimits(picture, part, kind),
    ...courseLimits(picture, part, kind),
    ...soiledLimits(picture, part),
  ];
}

/** Use of a part since it was fitted, as far as the picture and `earlierUse` tell. */
export function useOfPart(picture: Picture, part: FittedPart): PartUse {
  return daysOfUse(picture, part).at(-1) ?? part.earlierUse ?? { sessions: 0, hours: 0 };
}

function intervalLimits(picture: Picture, part: FittedPart, kind: PartKind | undefined): ReplacementLimit[] {
  if (kind?.replaceAfter === undefined) return [];
  const wholeDay = addInterval(part.fittedDay, kind.replaceAfter);
  const limit = (day: LocalDay, reason: ReplacementLimit["reason"]): ReplacementLimit => ({
    reason,
    day,
    fromDay: addDays(day, -Math.min(kind.leadDays, Math.max(0, daysBetween(part.fittedDay, day)))),
  });
  const byTracheostomy = picture.tracheostomy ? kind.tracheostomyShare : undefined;
  const infection = infectionOn(picture.infections, picture.today);
  const byInfection = infection === undefined ? undefined : kind.infectionShare;
  const shortenedTo = (share: number) =>
    addDays(part.fittedDay, Math.max(1, Math.floor(daysBetween(part.fittedDay, wholeDay) * share + 1e-9)));
  const limits = [limit(wholeDay, "interval")];
  if (byTracheostomy !== undefined) limits.push(limit(shortenedTo(byTracheostomy), "tracheostomy"));
  if (byInfection !== undefined && infection !== undefined) {
    const day = shortenedTo(byInfection * (byTracheostomy ?? 1));
    limits.push(limit(laterDay(day, infection.firstDay), "infection"));
  }
  return limits;
}

function useLimits(picture: Picture, part: FittedPart, kind: PartKind | undefined): ReplacementLimit[] {
  const { replaceAfterSessions: sessions, replaceAfterHours: hours } = kind ?? {};
  if (sessions === undefined && hours === undefined) return [];
  const reached = (use: PartUse) =>
    (sessions !== undefined && use.sessions >= sessions) || (hours !== undefined && use.hours >= hours - 1e-9);
  const day = part.earlierUse?.reachedDay ?? daysOfUse(picture, part).find(reached)?.day;
  return day === undefined ? [] : [{ reason: "use-limit", day, fromDay: day }];
}

function courseLimits(picture: Picture, part: FittedPart, kind: PartKind | undefined): ReplacementLimit[] {
  if (kind?.replaceAfterInfection !== true) return [];
  return picture.infections.flatMap(({ endDay }): ReplacementLimit[] => {
    // Fitted on the day it was over, or later: a part of after the infection.
    if (endDay === undefined || endDay > picture.today || part.fittedDay >= endDay) return [];
    return [{ reason: "infection-course", day: endDay, fromDay: endDay }];
  });
}

function soiledLimits({ today }: Picture, { soiledDay, fittedDay }: FittedPart): ReplacementLimit[] {
  if (soiledDay === undefined || soiledDay < fittedDay || soiledDay > today) return [];
  return [{ reason: "soiled", day: soiledDay, fromDay: soiledDay }];
}

/** The days on which the part was used, by day, each with the use up to its end. */
function daysOfUse(picture: Picture, part: FittedPart): DayOfUse[] {
  const { minimumCycles } = picture.thresholds;
  const counted = picture.sessions
    .filter((session) => session.localDay >= part.fittedDay && qualifies(session, minimumCycles))
    .filter((session) => part.machineId === undefined || session.deviceId === part.machineId)
    .sort((a, b) => (a.localDay < b.localDay ? -1 : a.localDay > b.localDay ? 1 : 0));
  const days: DayOfUse[] = [];
  let { sessions, hours } = part.earlierUse ?? { sessions: 0, hours: 0 };
  for (const session of counted) {
    sessions += 1;
    hours += (session.endMs - session.startMs) / 3_600_000;
    const use = { day: session.localDay, sessions, hours };
    if (days.at(-1)?.day === session.localDay) days[days.length - 1] = use;
    else days.push(use);
  }
  return days;
}
