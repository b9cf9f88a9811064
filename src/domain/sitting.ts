import { union } from "./range.ts";
import type { Session } from "./session.ts";
import type { TimeRange } from "./time.ts";

/** Sessions of one patient whose gaps are shorter than the rest gap. A cap on length applies to `endMs - startMs`. */
export interface Sitting extends TimeRange {
  /** Sorted by start. */
  readonly sessions: readonly Session[];
  /** Seconds of therapy within it: rests left out, time on two machines at once counted once. */
  readonly seconds: number;
}

/**
 * The sittings of one patient's sessions, sorted by start, whatever order the sessions come in.
 * Sessions join when the gap between them is shorter than `restGapMinutes` (a gap of exactly that length is a rest) or
 * when they overlap: stopping and starting the device does not hide a long sitting. Sessions marked as a test are left out.
 */
export function mergeSittings(sessions: readonly Session[], restGapMinutes: number): Sitting[] {
  const sorted = sessions.filter((session) => session.test !== true).sort(byTime);
  const groups: { sessions: Session[]; endMs: number }[] = [];
  for (const session of sorted) {
    const group = groups.at(-1);
    if (group !== undefined && session.startMs - group.endMs < restGapMinutes * 60_000) {
      group.sessions.push(session);
      group.endMs = Math.max(group.endMs, session.endMs);
    } else {
      groups.push({ sessions: [session], endMs: session.endMs });
    }
  }
  return groups.map((group) => ({
    startMs: group.sessions[0]?.startMs ?? group.endMs,
    endMs: group.endMs,
    sessions: group.sessions,
    seconds: union(group.sessions).reduce((sum, range) => sum + (range.endMs - range.startMs) / 1000, 0),
  }));
}

// The id settles ties, so that the same sessions always give the same list.
function byTime(a: Session, b: Session): number {
  return a.startMs - b.startMs || a.endMs - b.endMs || (a.sessionId < b.sessionId ? -1 : 1);
}
