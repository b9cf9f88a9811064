import type { MachineUse } from "../device.ts";
import type { Finding } from "../finding.ts";
import { addDays, daysBetween, localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import type { LocalDay } from "../time.ts";
import { examineMachines } from "./machine-examination.ts";
import type { Rule } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

/** The service of a machine with the patient is due within the lead time, or its day has passed. The due day itself is in time. */
export const serviceDue: Rule = {
  code: "service-due",
  title: "Device due for service",
  source: "The day stands on the device. Lead time: choice of this service, no published source.",
  examine: (picture) =>
    examineMachines(picture, (use, ask, subject) => {
      const { serviceDueDay: dueDay } = use;
      const known = dueDay === undefined ? "No service day is recorded." : `Service is due by ${dayInWords(dueDay)}.`;
      const knows = ask({ name: "service-day", text: known, holds: dueDay !== undefined, reference: subject });
      if (!knows || dueDay === undefined) return undefined;
      const { serviceLeadDays, sources } = picture.thresholds;
      const daysLeft = daysBetween(picture.today, dueDay);
      const isNear = ask({
        name: "days-left",
        text: `${leftInWords(daysLeft)}; the lead time is ${counted(serviceLeadDays, "day")}.`,
        holds: daysLeft <= serviceLeadDays,
        value: daysLeft,
        threshold: serviceLeadDays,
        unit: "d",
        source: sources.serviceLeadDays,
      });
      return isNear ? findingOf(picture, use, subject, dueDay) : undefined;
    }),
};

function leftInWords(daysLeft: number): string {
  if (daysLeft === 0) return "That is today";
  return daysLeft > 0 ? `That is in ${counted(daysLeft, "day")}` : `That was ${counted(-daysLeft, "day")} ago`;
}

function findingOf(picture: Picture, use: MachineUse, subject: string, dueDay: LocalDay): Finding {
  const hasPassed = picture.today > dueDay;
  const firstDay = hasPassed ? addDays(dueDay, 1) : addDays(dueDay, -picture.thresholds.serviceLeadDays);
  const handedOverDay = localDayOf(use.startMs, picture.zone);
  const day = dayInWords(dueDay);
  return {
    rule: serviceDue.code,
    subject,
    severity: "review",
    safety: false,
    sinceDay: [firstDay, handedOverDay].sort()[1] ?? firstDay,
    text: hasPassed
      ? `Service of the device was due by ${day}, and no later service day is recorded.`
      : `Service of the device is due by ${day}.`,
    evidence: [{ name: "service-day", text: `Service is due by ${day}.`, reference: subject }],
    clearsWhen: "A later service day is recorded on the device, or its return.",
    focus: subject,
  };
}
