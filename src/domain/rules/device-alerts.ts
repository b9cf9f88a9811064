import type { RecordedAlert } from "../alert.ts";
import type { MachineUse } from "../device.ts";
import type { Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { firstDayOfPicture } from "../picture-window.ts";
import type { LocalDay } from "../time.ts";
import { examineMachines } from "./machine-examination.ts";
import type { Rule, Step } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

/** One of a device's codes in a window: on how many local days, and its last alert. */
interface CodeInWindow {
  readonly code: string;
  readonly days: number;
  readonly last: RecordedAlert;
}

/**
 * A machine with the patient recorded the same alert code on several of the last days, the running one included. The
 * code is the device's own text: nothing here knows how grave it is.
 */
export const deviceAlerts: Rule = {
  code: "device-alerts",
  title: "Device alerts that come again",
  source: "Days and window: choice of this service, no published source. The service rates no alert.",
  examine: (picture) =>
    examineMachines(picture, (use, ask, subject) => {
      const codes = codesOn(picture.today, use, picture);
      const found = codes.filter((one) => one.days >= picture.thresholds.alertDays);
      return ask(stepOf(codes[0], picture)) ? findingOf(picture, use, subject, found) : undefined;
    }),
};

function stepOf(most: CodeInWindow | undefined, { thresholds }: Picture): Step {
  const { alertDays, alertWindowDays, sources } = thresholds;
  const window = `the last ${counted(alertWindowDays, "day")}`;
  return {
    name: "alert-days",
    text:
      most === undefined
        ? `No alert of the device is recorded in ${window}.`
        : `The most frequent code, "${most.code}", was recorded on ${most.days} of ${window}; the rule looks for ${alertDays}.`,
    holds: most !== undefined && most.days >= alertDays,
    value: most?.days ?? 0,
    threshold: alertDays,
    unit: "d",
    source: sources.alertDays,
    ...(most !== undefined && { reference: `Observation/${most.last.observationId}` }),
  };
}

function findingOf(
  picture: Picture,
  use: MachineUse,
  subject: string,
  found: readonly CodeInWindow[],
): Finding | undefined {
  const { alertDays, alertWindowDays } = picture.thresholds;
  // No count of days: it falls as days leave the window, and the text would change although nothing has happened.
  const often = `on ${alertDays} or more of ${counted(alertWindowDays, "day")}`;
  const one = ({ code, last }: CodeInWindow) => `"${code}" (last on ${dayInWords(last.localDay)})`;
  return {
    rule: deviceAlerts.code,
    subject,
    severity: "review",
    safety: false,
    sinceDay: firstDayOf(picture, use),
    text: `The device recorded the same alert code ${often}: ${found.map(one).join(", ")}. The code is the device's own; this service does not know how grave it is. Look it up in the device's manual.`,
    evidence: found.map((entry) => ({
      name: "device-alert",
      text: `Code ${one(entry)}, ${often}.`,
      reference: `Observation/${entry.last.observationId}`,
    })),
    clearsWhen: `No code was recorded on ${counted(alertDays, "day")} of the last ${alertWindowDays}, or the device is returned.`,
    focus: subject,
  };
}

/** Most frequent first: by days, then by code, so that the order is the same however the alerts arrived. */
function codesOn(day: LocalDay, use: MachineUse, { alerts, thresholds }: Picture): CodeInWindow[] {
  const firstDay = addDays(day, 1 - thresholds.alertWindowDays);
  const inWindow = alerts.filter(
    (alert) =>
      alert.deviceId === use.deviceId &&
      alert.atMs >= use.startMs &&
      alert.localDay >= firstDay &&
      alert.localDay <= day,
  );
  return [...Map.groupBy(inWindow, (alert) => alert.code)]
    .map(([code, same]) => ({
      code,
      days: new Set(same.map((alert) => alert.localDay)).size,
      last: same.reduce((last, alert) => (alert.atMs >= last.atMs ? alert : last)),
    }))
    .sort((a, b) => b.days - a.days || (a.code < b.code ? -1 : 1));
}

/** The first of the unbroken run of days, today the last, on which it would have been found, as far back as alerts are at hand. */
function firstDayOf(picture: Picture, use: MachineUse): LocalDay {
  const firstDay = firstDayOfPicture(picture.today, picture.thresholds);
  let since = picture.today;
  for (let day = addDays(since, -1); day >= firstDay; day = addDays(day, -1)) {
    if ((codesOn(day, use, picture)[0]?.days ?? 0) < picture.thresholds.alertDays) break;
    since = day;
  }
  return since;
}
