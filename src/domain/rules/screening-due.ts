import type { Finding } from "../finding.ts";
import { addInterval } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { planInForce } from "../plan-in-force.ts";
import type { Plan } from "../prescription.ts";
import type { Screening } from "../screening.ts";
import type { LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

/**
 * No screening for contraindications on record before the therapy began, or the last one is too long ago. Plans that
 * follow one another without a gap are one therapy: a new version asks for no new screening. One on the first day counts.
 */
export const screeningDue: Rule = {
  code: "screening-due",
  title: "Screening for contraindications due",
  source: "Number of months: choice of this service, no published source.",
  examine: (picture) => [examineScreenings(picture)],
};

function examineScreenings(picture: Picture): Examination {
  const { today, thresholds } = picture;
  const plan = planInForce(picture.plans, today);
  const screenings = [...picture.screenings].filter((one) => one.day <= today).sort(byDay);
  const last = screenings.at(-1);
  return examination("therapy", (ask) => {
    const inForce = {
      name: "plan",
      text: plan === undefined ? "No plan is in force." : `A plan is in force since ${dayInWords(plan.firstDay)}.`,
      holds: plan !== undefined,
      ...(plan !== undefined && { reference: `CarePlan/${plan.planId}` }),
    };
    if (!ask(inForce) || plan === undefined) return undefined;
    const begunDay = firstDayOfTherapy(plan, picture.plans);
    const before = screenings.some((one) => one.day <= begunDay);
    const nextDay = last === undefined ? begunDay : addInterval(last.day, { months: thresholds.screeningMonths });
    const isDue = !before || today > nextDay;
    const due = {
      name: "screened",
      text: `${lastInWords(last)} ${before ? "One was on record when the therapy began" : "None was on record when the therapy began"} on ${dayInWords(begunDay)}.${last === undefined ? "" : ` The next is due by ${dayInWords(nextDay)}.`}`,
      holds: isDue,
      threshold: thresholds.screeningMonths,
      unit: "mo",
      source: thresholds.sources.screeningMonths,
      ...(last !== undefined && { reference: `QuestionnaireResponse/${last.responseId}` }),
    };
    if (!ask(due)) return undefined;
    // A screening done later than the beginning is late, and done: only its age counts from then on.
    if (!before && last !== undefined && today <= nextDay) return lateFinding(plan, begunDay, last);
    return findingOf(plan, last === undefined ? begunDay : nextDay, last, picture);
  });
}

function lastInWords(last: Screening | undefined): string {
  return last === undefined ? "No screening is on record." : `The last screening was on ${dayInWords(last.day)}.`;
}

function findingOf(plan: Plan, dueDay: LocalDay, last: Screening | undefined, { thresholds }: Picture): Finding {
  const asked = `A screening for contraindications is due every ${counted(thresholds.screeningMonths, "month")} and before the therapy begins.`;
  return {
    rule: screeningDue.code,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: dueDay,
    text: `${asked} ${lastInWords(last)} It was due by ${dayInWords(dueDay)}.`,
    evidence: evidenceOf(plan, last),
    clearsWhen: "A screening is recorded, or the plan ends.",
    focus: `CarePlan/${plan.planId}`,
  };
}

/** The therapy began unscreened and was screened since: told, and nobody is asked to do anything about the past. */
function lateFinding(plan: Plan, begunDay: LocalDay, last: Screening): Finding {
  return {
    rule: screeningDue.code,
    subject: "therapy",
    severity: "information",
    safety: false,
    sinceDay: begunDay,
    text: `The therapy began on ${dayInWords(begunDay)} without a screening for contraindications on record. ${lastInWords(last)}`,
    evidence: evidenceOf(plan, last),
    clearsWhen: "The plan ends, or a screening of before its beginning is recorded.",
    focus: `CarePlan/${plan.planId}`,
  };
}

function evidenceOf(plan: Plan, last: Screening | undefined): Finding["evidence"] {
  return [
    { name: "plan", text: `In force since ${dayInWords(plan.firstDay)}.`, reference: `CarePlan/${plan.planId}` },
    ...(last === undefined
      ? []
      : [
          {
            name: "screening",
            text: `Screened on ${dayInWords(last.day)}.`,
            reference: `QuestionnaireResponse/${last.responseId}`,
          },
        ]),
  ];
}

/** The first day of the unbroken run of plans that ends with this one. */
function firstDayOfTherapy(plan: Plan, plans: readonly Plan[]): LocalDay {
  const before = plans.find(
    (one) => one !== plan && one.status !== "draft" && one.firstDay < plan.firstDay && one.endDay === plan.firstDay,
  );
  return before === undefined ? plan.firstDay : firstDayOfTherapy(before, plans);
}

function byDay(a: Screening, b: Screening): number {
  return a.day < b.day ? -1 : a.day > b.day ? 1 : a.responseId < b.responseId ? -1 : 1;
}
