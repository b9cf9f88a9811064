import { addDays } from "../local-day.ts";
import { planInForce } from "../plan-in-force.ts";
import { examination } from "./examination.ts";
import type { Rule } from "./rule.ts";
import { dayInWords } from "./wording.ts";

/** The day by which the plan was to be looked at again has passed. A plan that names none is never due. */
export const reviewDue: Rule = {
  code: "review-due",
  title: "Plan review overdue",
  source: "The day that the plan names.",
  examine: (picture) => {
    const { today } = picture;
    const plan = planInForce(picture.plans, today);
    if (plan === undefined) return [];
    const reference = `CarePlan/${plan.planId}`;
    return [
      examination(reference, (ask) => {
        const { reviewDay } = plan;
        const named = {
          name: "review-day",
          text:
            reviewDay === undefined
              ? "The plan names no day by which it is to be looked at again."
              : `The plan is to be looked at again by ${dayInWords(reviewDay)}.`,
          holds: reviewDay !== undefined,
          reference,
        };
        if (!ask(named) || reviewDay === undefined) return undefined;
        const passed = today > reviewDay;
        const text = passed ? "That day has passed." : "That day has not passed.";
        if (!ask({ name: "passed", text, holds: passed })) return undefined;
        return {
          rule: reviewDue.code,
          subject: reference,
          severity: "review",
          safety: false,
          sinceDay: addDays(reviewDay, 1),
          text: `The plan that began on ${dayInWords(plan.firstDay)} was to be looked at again by ${dayInWords(reviewDay)}.`,
          evidence: [{ name: "review-day", text: `To be reviewed by ${dayInWords(reviewDay)}.`, reference }],
          clearsWhen: "The plan names a later day, or another plan replaces it.",
          focus: reference,
        };
      }),
    ];
  },
};
