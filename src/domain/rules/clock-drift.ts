import { type ClockCheck, type MachineUse, useAt } from "../device.ts";
import type { Finding } from "../finding.ts";
import { localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { examineMachines } from "./machine-examination.ts";
import type { Rule } from "./rule.ts";
import { dayInWords, plainNumber } from "./wording.ts";

/** The clock of a machine with the patient differed from the reader's by more than the threshold when it was last read. */
export const clockDrift: Rule = {
  code: "clock-drift",
  title: "Device clock is wrong",
  source: "Threshold: choice of this service, no published source.",
  examine: (picture) =>
    examineMachines(picture, (use, ask, subject) => {
      const { thresholds } = picture;
      const check = latestCheck(picture.clockChecks, use);
      const noted =
        check === undefined
          ? "Nobody noted what the device's clock showed when its memory was read."
          : `The device's clock was last noted on ${dayOf(check, picture)}.`;
      const reference = check === undefined ? {} : { reference: `DocumentReference/${check.uploadId}` };
      const isNoted = ask({ name: "clock-noted", text: noted, holds: check !== undefined, ...reference });
      if (!isNoted || check === undefined) return undefined;
      const seconds = Math.abs(check.driftMs) / 1000;
      const differs = ask({
        name: "clock-difference",
        text: `${differenceInWords(check)}; up to ${minutesInWords(thresholds.clockDriftSeconds * 1000)} is fine.`,
        holds: seconds > thresholds.clockDriftSeconds,
        value: seconds,
        threshold: thresholds.clockDriftSeconds,
        unit: "s",
        source: thresholds.sources.clockDriftSeconds,
        ...reference,
      });
      return differs ? findingOf(picture, check, subject) : undefined;
    }),
};

function latestCheck(checks: readonly ClockCheck[], use: MachineUse): ClockCheck | undefined {
  return checks
    .filter((check) => check.deviceId === use.deviceId && useAt([use], check.readMs) !== undefined)
    .reduce<ClockCheck | undefined>(
      (last, one) => (last === undefined || one.readMs >= last.readMs ? one : last),
      undefined,
    );
}

function findingOf(picture: Picture, check: ClockCheck, subject: string): Finding {
  const difference = differenceInWords(check);
  const day = dayOf(check, picture);
  return {
    rule: clockDrift.code,
    subject,
    severity: "review",
    safety: false,
    sinceDay: localDayOf(check.readMs, picture.zone),
    text: `${difference} when its memory was read on ${day}. Times read then were corrected by that difference; times read without a note of the device's clock stand as the device wrote them.`,
    evidence: [
      {
        name: "clock-difference",
        text: `${difference} on ${day}.`,
        value: check.driftMs / 1000,
        unit: "s",
        reference: `DocumentReference/${check.uploadId}`,
      },
    ],
    clearsWhen: `A later reading finds the clock within ${minutesInWords(picture.thresholds.clockDriftSeconds * 1000)}, or the device is returned.`,
    focus: subject,
  };
}

function dayOf(check: ClockCheck, { zone }: Picture): string {
  return dayInWords(localDayOf(check.readMs, zone));
}

function differenceInWords({ driftMs }: ClockCheck): string {
  if (driftMs === 0) return "The device's clock was right";
  return `The device's clock was ${minutesInWords(Math.abs(driftMs))} ${driftMs > 0 ? "ahead" : "behind"}`;
}

// Rounded up to a hundredth, so that a difference over the threshold never reads as equal to it.
function minutesInWords(ms: number): string {
  const minutes = Math.ceil(ms / 600) / 100;
  return `${plainNumber(minutes)} minute${minutes === 1 ? "" : "s"}`;
}
