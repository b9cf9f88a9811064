import type { LocalDay } from "../../src/domain/time.ts";
import { strangers } from "./machine-stories.ts";
import { machines } from "./machines.ts";
import { people } from "./people.ts";
import { type PlayedSession, sessionsOf } from "./sessions.ts";
import { type PlayedUpload, uploadsOf } from "./uploads.ts";

/** All sessions that happen in the story up to and including `today - 1`; also those that nobody has read. */
export function playSessions(today: LocalDay): PlayedSession[] {
  return [...people, ...strangers].flatMap((user) => sessionsOf(user, today));
}

/** All uploads of the story in the order in which they are sent. */
export function playUploads(today: LocalDay): PlayedUpload[] {
  const sessions = playSessions(today);
  return machines
    .flatMap((machine) => uploadsOf(machine, [...people, ...strangers], sessions, today))
    .sort((a, b) => a.readMs - b.readMs || (a.serial < b.serial ? -1 : 1));
}
