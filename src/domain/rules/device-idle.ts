import { settleDay, timeOfDay } from "../day-part.ts";
import type { MachineUse } from "../device.ts";
import type { Finding } from "../finding.ts";
import { addDays, localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { isHeld, planInForce } from "../plan-in-force.ts";
import { intersect, unvouchedTimes } from "../range.ts";
import type { EpochMs, LocalDay } from "../time.ts";
import { examineMachines } from "./machine-examination.ts";
import type { Rule, Step } from "./rule.ts";
import { counted, dayInWords, percent } from "./wording.ts";

/**
 * A machine with the patient on which the records show no session for N days or more, tests left out: it could serve
 * someone else. Days that something explains (hospital, holiday, machine away, plan on hold) are left out of the N; days
 * without any plan are not. Enough of the last N days must have been read, for a day that nobody read is not an idle one.
 */
export const deviceIdle: Rule = {
  code: "device-idle",
  title: "Device without recorded use",
  source: "Number of days: choice of this service, no published source.",
  examine: (picture) =>
    examineMachines(picture, (use, ask, subject) => {
      const { deviceIdleDays } = picture.thresholds;
      if (!ask(returnStep(use, picture))) return undefined;
      const lastUseMs = lastUseOf(use, picture);
      const days = idleDays(use, lastUseMs, picture);
      if (!ask(idleStep(days, lastUseMs, use, picture))) return undefined;
      if (!ask(coverageStep(days.slice(-deviceIdleDays), use, picture))) return undefined;
      // The day after the Nth: it stays the same while the device stays idle.
      const sinceDay = addDays(days[deviceIdleDays - 1] ?? picture.today, 1);
      return findingOf(picture, use, subject, { sinceDay, lastUseMs });
    }),
};

function returnStep(use: MachineUse, { zone }: Picture): Step {
  return {
    name: "no-return-recorded",
    text:
      use.endMs === undefined
        ? "No return of the device is recorded."
        : `The return of the device is recorded for ${dayInWords(localDayOf(use.endMs, zone))}.`,
    holds: use.endMs === undefined,
    reference: `DeviceUseStatement/${use.useId}`,
  };
}

function idleStep(days: readonly LocalDay[], lastUseMs: EpochMs | undefined, use: MachineUse, picture: Picture): Step {
  const { deviceIdleDays, sources } = picture.thresholds;
  return {
    name: "idle-days",
    text: `${sinceInWords(use, lastUseMs, picture)}: ${counted(days.length, "full day")} without a recorded session, explained absences left out; the rule looks for ${deviceIdleDays}.`,
    holds: days.length >= deviceIdleDays,
    value: days.length,
    threshold: deviceIdleDays,
    unit: "d",
    source: sources.deviceIdleDays,
  };
}

function coverageStep(days: readonly LocalDay[], use: MachineUse, picture: Picture): Step {
  const { minimumCoverageShare, sources, dayParts } = picture.thresholds;
  const unvouched = unvouchedTimes(picture.coverage, [use], picture.nowMs);
  const known = days.filter(
    (day) => intersect([timeOfDay(day, picture.zone, dayParts)], unvouched).length === 0,
  ).length;
  const share = days.length === 0 ? 0 : known / days.length;
  return {
    name: "days-read",
    text: `The device's memory was read in full for ${known} of the last ${counted(days.length, "such day")} (${percent(share)}); at least ${percent(minimumCoverageShare)} must be known.`,
    holds: share >= minimumCoverageShare,
    value: share,
    threshold: minimumCoverageShare,
    unit: "1",
    source: sources.minimumCoverageShare,
  };
}

/** The start of the last session of this use; of the sessions before the picture's window the machine's own note tells. */
function lastUseOf(use: MachineUse, { sessions }: Picture): EpochMs | undefined {
  const starts = sessions
    .filter((session) => session.deviceId === use.deviceId && session.test !== true)
    .map((session) => session.startMs);
  if (use.lastSessionStartMs !== undefined) starts.push(use.lastSessionStartMs);
  const ofThisUse = starts.filter((startMs) => startMs >= use.startMs);
  return ofThisUse.length === 0 ? undefined : Math.max(...ofThisUse);
}

/** Full local days since the last use or the handover, today left out, that nothing on record explains. */
function idleDays(use: MachineUse, lastUseMs: EpochMs | undefined, picture: Picture): LocalDay[] {
  const { zone, thresholds, today } = picture;
  const days: LocalDay[] = [];
  for (let day = firstIdleDay(use, lastUseMs, zone, thresholds.dayParts); day < today; day = addDays(day, 1)) {
    if (!isExplained(day, picture)) days.push(day);
  }
  return days;
}

function firstIdleDay(
  use: MachineUse,
  lastUseMs: EpochMs | undefined,
  zone: string,
  dayParts: Picture["thresholds"]["dayParts"],
): LocalDay {
  if (lastUseMs !== undefined) return addDays(settleDay(lastUseMs, zone, dayParts).localDay, 1);
  const handedOverDay = localDayOf(use.startMs, zone);
  return timeOfDay(handedOverDay, zone, dayParts).startMs >= use.startMs ? handedOverDay : addDays(handedOverDay, 1);
}

// Not the reason of the day's state: that says "no plan" of a day in hospital on which no plan was in force.
function isExplained(day: LocalDay, { plans, absences }: Picture): boolean {
  const plan = planInForce(plans, day);
  if (plan !== undefined && isHeld(plan, day)) return true;
  return absences.some((one) => one.firstDay <= day && (one.endDay === undefined || day < one.endDay));
}

function sinceInWords(use: MachineUse, lastUseMs: EpochMs | undefined, { zone, thresholds }: Picture): string {
  if (lastUseMs === undefined) return `Since the handover on ${dayInWords(localDayOf(use.startMs, zone))}`;
  return `Since the last recorded session on ${dayInWords(settleDay(lastUseMs, zone, thresholds.dayParts).localDay)}`;
}

function findingOf(
  picture: Picture,
  use: MachineUse,
  subject: string,
  { sinceDay, lastUseMs }: { readonly sinceDay: LocalDay; readonly lastUseMs: EpochMs | undefined },
): Finding {
  const since = sinceInWords(use, lastUseMs, picture);
  const days = counted(picture.thresholds.deviceIdleDays, "day");
  return {
    rule: deviceIdle.code,
    subject,
    severity: "review",
    safety: false,
    sinceDay,
    text: `${since}, ${days} or more not counting explained absences, the records show no use of the device. It could serve someone else. What was not read is not known.`,
    evidence: [
      {
        name: lastUseMs === undefined ? "handed-over" : "last-session",
        text: `${since}, the records show no use.`,
        ...(lastUseMs === undefined && { reference: `DeviceUseStatement/${use.useId}` }),
      },
    ],
    clearsWhen:
      "A session on the device is recorded, its return is recorded, an absence or a hold explains enough of the days, or too little has been read to tell.",
    focus: subject,
  };
}
