import type { SessionRecord } from "../../src/domain/session.ts";
import type { EpochMs, LocalDay } from "../../src/domain/time.ts";
import { instantOf, isoOf, timeOfLoan } from "./moment.ts";
import type { PlayedSession } from "./sessions.ts";
import type { Machine, User } from "./story.ts";

/** One reading of one machine's memory, as the bytes that arrive. */
export interface PlayedUpload {
  readonly serial: string;
  readonly readMs: EpochMs;
  readonly text: string;
}

const minuteMs = 60_000;
const readAgainMs = 24 * 60 * minuteMs;

/**
 * The uploads of one machine, oldest first. Each reading also sends the last day of the reading before it once more, as
 * hubs do, so most uploads hold a few records that are known already. Times are the machine's own clock, which has no zone;
 * its reading beside `readAt` is what ties them to the truth.
 */
export function uploadsOf(
  machine: Machine,
  users: readonly User[],
  sessions: readonly PlayedSession[],
  today: LocalDay,
): PlayedUpload[] {
  const recorded = sessions
    .filter((session) => session.serial === machine.serial)
    .sort((a, b) => a.startMs - b.startMs)
    .map((session, index) => ({ ...session, sequenceNumber: index + 1 }));
  const { firstDay, everyDays, lastDay, time } = machine.readings;
  const uploads: PlayedUpload[] = [];
  let fromMs = firstUseMs(machine, users, today);
  for (let day = firstDay; day <= lastDay; day += everyDays) {
    const readMs = instantOf({ day, time }, today, machine.zone);
    const read = recorded.filter((session) => session.startMs >= fromMs && session.endMs <= readMs);
    const envelope = {
      format: "tidegate-use-record",
      version: 1,
      device: { serialNumber: machine.serial },
      readAt: isoOf(readMs),
      deviceClockAtReading: clockFace(readMs, machine),
      coverage: [{ start: clockFace(fromMs, machine), end: clockFace(readMs, machine) }],
      ...alertsOf(machine, fromMs, readMs, today),
      sessions: read.map((session) => recordOf(session, machine)),
    };
    uploads.push({ serial: machine.serial, readMs, text: JSON.stringify(envelope) });
    fromMs = readMs - readAgainMs;
  }
  return uploads;
}

function recordOf(session: PlayedSession & { sequenceNumber: number }, machine: Machine): SessionRecord {
  return {
    sequenceNumber: session.sequenceNumber,
    start: clockFace(session.startMs, machine),
    end: clockFace(session.endMs, machine),
    ...session.measures,
  };
}

function alertsOf(machine: Machine, fromMs: EpochMs, readMs: EpochMs, today: LocalDay): object {
  const { alerts, zone } = machine;
  const times = (alerts?.days ?? [])
    .map((day) => instantOf({ day, time: "12:00" }, today, zone))
    .filter((ms) => ms >= fromMs && ms < readMs);
  if (alerts === undefined || times.length === 0) return {};
  return { alerts: times.map((ms) => ({ code: alerts.code, text: alerts.text, at: clockFace(ms, machine) })) };
}

function firstUseMs({ serial }: Machine, users: readonly User[], today: LocalDay): EpochMs {
  const starts = users.flatMap(({ loans, zone }) =>
    loans.filter((loan) => loan.serial === serial).map((loan) => timeOfLoan(loan, today, zone).startMs),
  );
  return Math.min(...starts);
}

/** What the machine's own clock shows at an instant; most machines know no offset. */
function clockFace(ms: EpochMs, machine: Machine): string {
  const shown = isoOf(ms + machine.clockAheadMinutes * minuteMs);
  return machine.writesOffset === true ? shown : shown.slice(0, -1);
}
