import { localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import type { EpochMs } from "../time.ts";

/**
 * The same picture at an earlier moment: what began later is left out, and what ended later had not ended yet. What was
 * only recorded later counts all the same, and a state that has no date (a flag that is no longer active, a status of a
 * plan) is the one of now: it is the moment as the records tell it today, not as it was known then.
 */
export function pictureAt(picture: Picture, nowMs: EpochMs): Picture {
  const today = localDayOf(nowMs, picture.zone);
  const { deceasedDay, lastSessionStartMs, machineUses, ...rest } = picture;
  return {
    ...rest,
    nowMs,
    today,
    ...(deceasedDay !== undefined && deceasedDay <= today && { deceasedDay }),
    ...(lastSessionStartMs !== undefined && lastSessionStartMs <= nowMs && { lastSessionStartMs }),
    sessions: picture.sessions.filter((session) => session.startMs <= nowMs),
    machineUses: machineUses
      .filter((use) => use.startMs <= nowMs)
      .map(({ endMs, lastSessionStartMs: last, ...use }) => ({
        ...use,
        ...(endMs !== undefined && endMs <= nowMs && { endMs }),
        ...(last !== undefined && last <= nowMs && { lastSessionStartMs: last }),
      })),
    parts: picture.parts.filter((part) => part.fittedDay <= today),
    alerts: picture.alerts.filter((alert) => alert.atMs <= nowMs),
    clockChecks: picture.clockChecks.filter((check) => check.readMs <= nowMs),
  };
}
