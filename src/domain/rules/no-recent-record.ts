import { dayStates } from "../day-state.ts";
import type { Evidence, Finding } from "../finding.ts";
import { addDays, localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { coverageOfPatient, timeOfUse } from "../range.ts";
import type { EpochMs, LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

/**
 * The records end N or more days ago and nothing explains it. Days that ask for nothing (hospital, machine away, holiday,
 * plan on hold, no plan, no machine) do not count, and nothing is found while today is such a day.
 * It says that we do not know; it never says that the machine was not used.
 */
export const noRecentRecord: Rule = {
  code: "no-recent-record",
  title: "No recent record",
  source: "Number of days: choice of this service, no published source.",
  examine: (picture) => [examineRecords(picture)],
};

function examineRecords(picture: Picture): Examination {
  const { zone, thresholds, today } = picture;
  const asked = thresholds.noRecentRecordDays;
  const end = endOfRecords(picture);
  const handedOverMs = Math.min(...picture.machineUses.map((use) => use.startMs));
  const sinceMs = end ?? handedOverMs;
  return examination("therapy", (ask) => {
    const hasMachine = Number.isFinite(sinceMs);
    const nothing = "No machine was ever handed over, and nothing was ever recorded.";
    const sinceDay = hasMachine ? localDayOf(sinceMs, zone) : today;
    const known =
      end === undefined
        ? `Nothing has been read since the machine was handed over on ${dayInWords(sinceDay)}.`
        : `The records end on ${dayInWords(sinceDay)}.`;
    if (!ask({ name: "records-end", text: hasMachine ? known : nothing, holds: hasMachine })) return undefined;
    const state = dayStates(picture, today, addDays(today, 1))[0];
    const explained = {
      name: "nothing-explains-it",
      text:
        state?.eligible === true
          ? "Today asks for therapy, so nothing explains why there is no newer record."
          : `Today asks for nothing (${state?.excluded ?? "no plan"}), which explains it.`,
      holds: state?.eligible === true,
    };
    if (!ask(explained)) return undefined;
    const silent = silentDays(asked, sinceDay, picture);
    const long = {
      name: "silent-days",
      text: `${silent < asked ? counted(silent, "day") : `${asked} days or more`} since then that no absence explains.`,
      holds: silent >= asked,
      value: silent,
      threshold: asked,
      unit: "d",
      source: thresholds.sources.noRecentRecordDays,
    };
    return ask(long) ? findingOf(sinceDay, end, picture) : undefined;
  });
}

function findingOf(sinceDay: LocalDay, end: EpochMs | undefined, picture: Picture): Finding {
  const machine = picture.machineUses.findLast((use) => use.endMs === undefined || use.endMs > picture.nowMs);
  const what =
    end === undefined
      ? `Nothing has been read from the machine since it was handed over on ${dayInWords(sinceDay)}`
      : `The records end on ${dayInWords(sinceDay)}`;
  return {
    rule: noRecentRecord.code,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay,
    text: `${what}, ${counted(picture.thresholds.noRecentRecordDays, "day")} or more ago, and no absence on record explains it. We do not know whether the therapy was used since.`,
    evidence: evidenceOf(picture, sinceDay, end === undefined ? "handed-over" : "records-end"),
    clearsWhen:
      "A newer record arrives, or an absence, a hold or the return of the machine explains why there is none.",
    ...(machine !== undefined && { focus: `Device/${machine.deviceId}` }),
  };
}

function endOfRecords(picture: Picture): EpochMs | undefined {
  const ends = coverageOfPatient(picture.coverage, picture.machineUses)
    .filter((range) => range.startMs < picture.nowMs)
    .map((range) => range.endMs);
  for (const session of picture.sessions) ends.push(session.endMs);
  if (picture.lastSessionStartMs !== undefined) ends.push(picture.lastSessionStartMs);
  return ends.length === 0 ? undefined : Math.min(picture.nowMs, Math.max(...ends));
}

/** Days since the records end that nothing excludes, counted up to as many as are asked about. */
function silentDays(asked: number, sinceDay: LocalDay, picture: Picture): number {
  let silent = 0;
  // In steps, because the records may have ended years ago and a few weeks mostly tell.
  for (let endDay = picture.today; endDay > sinceDay && silent < asked; ) {
    const stepDay = addDays(endDay, -asked);
    const firstDay = stepDay > sinceDay ? stepDay : sinceDay;
    silent += dayStates(picture, firstDay, endDay).filter((day) => day.eligible).length;
    endDay = firstDay;
  }
  return Math.min(silent, asked);
}

function evidenceOf(picture: Picture, sinceDay: LocalDay, name: "handed-over" | "records-end"): Evidence[] {
  const upload = latestUpload(picture);
  const machines = picture.machineUses.filter((use) => use.endMs === undefined || use.endMs > picture.nowMs);
  const evidence: Evidence[] = [
    {
      name,
      text:
        name === "records-end"
          ? `The records end on ${dayInWords(sinceDay)}.`
          : `Handed over on ${dayInWords(sinceDay)}, never read since.`,
      ...(upload !== undefined && { reference: `DocumentReference/${upload}` }),
    },
  ];
  const last = picture.sessions.at(-1);
  if (last !== undefined) {
    const text = `The last recorded session was on ${dayInWords(last.localDay)}.`;
    evidence.push({ name: "last-session", text, reference: `Observation/${last.sessionId}` });
  } else if (picture.lastSessionStartMs !== undefined) {
    const text = `The last recorded session was on ${dayInWords(localDayOf(picture.lastSessionStartMs, picture.zone))}.`;
    evidence.push({ name: "last-session", text });
  }
  for (const deviceId of new Set(machines.map((use) => use.deviceId))) {
    evidence.push({ name: "machine", text: "The machine with the patient.", reference: `Device/${deviceId}` });
  }
  return evidence;
}

// An upload that reaches this patient only: a machine's coverage also holds times at which others had it.
function latestUpload({ coverage, machineUses, nowMs }: Picture): string | undefined {
  const reaching = machineUses.flatMap((use) => {
    const time = timeOfUse(use);
    return coverage
      .filter((range) => range.deviceId === use.deviceId && range.startMs < nowMs)
      .filter((range) => range.startMs < time.endMs && time.startMs < range.endMs)
      .map((range) => ({ uploadId: range.uploadId, endMs: Math.min(range.endMs, time.endMs) }));
  });
  return reaching.sort((a, b) => a.endMs - b.endMs || (a.uploadId < b.uploadId ? -1 : 1)).at(-1)?.uploadId;
}
