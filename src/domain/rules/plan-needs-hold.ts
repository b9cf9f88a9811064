import { type Contraindication, isInForce } from "../contraindication.ts";
import type { Finding } from "../finding.ts";
import { localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { isHeld, planInForce } from "../plan-in-force.ts";
import type { Plan } from "../prescription.ts";
import type { LocalDay } from "../time.ts";
import { listed } from "./examination.ts";
import type { Rule } from "./rule.ts";
import { dayInWords } from "./wording.ts";

/**
 * A contraindication flag in force while the plan still asks for therapy. Momentary ones (vomiting, a full stomach) end
 * by themselves and ask for no hold.
 */
export const planNeedsHold: Rule = {
  code: "plan-needs-hold",
  title: "Plan still active while a contraindication is flagged",
  source: "A safety rule of this service; hold for absolute contraindications, review for relative ones.",
  examine: (picture) => {
    const plan = planInForce(picture.plans, picture.today);
    if (plan === undefined || plan.status === "on-hold" || isHeld(plan, picture.today)) return [];
    return listed(
      picture.contraindications
        .filter((flag) => flag.class !== "momentary" && isInForce(flag, picture.nowMs))
        .map((flag) => findingOf(flag, plan, picture)),
    );
  },
};

function findingOf(flag: Contraindication, plan: Plan, { zone, today }: Picture): Finding {
  const flaggedDay = localDayOf(flag.startMs, zone);
  const absolute = flag.class === "absolute";
  const ask = absolute ? "The plan should be put on hold." : "The plan should be reviewed.";
  return {
    rule: planNeedsHold.code,
    subject: `Flag/${flag.flagId}`,
    severity: absolute ? "urgent" : "review",
    // Going on in spite of a relative contraindication is a decision a clinician may take; once one has closed the Task,
    // raising it again the same minute would leave them no way to say so.
    safety: absolute,
    sinceDay: firstDayUnheld(plan, flaggedDay, today),
    text: `The contraindication "${flag.title}" (${flag.class}), flagged on ${dayInWords(flaggedDay)}, is in force and the plan that began on ${dayInWords(plan.firstDay)} is not on hold. ${ask}`,
    evidence: [
      {
        name: "contraindication",
        text: `${flag.title}, ${flag.class}, flagged on ${dayInWords(flaggedDay)}.`,
        reference: `Flag/${flag.flagId}`,
      },
      {
        name: "plan",
        text: `In force since ${dayInWords(plan.firstDay)}, not on hold.`,
        reference: `CarePlan/${plan.planId}`,
      },
    ],
    clearsWhen: "The plan is put on hold or ended, or the flag ends.",
    focus: `CarePlan/${plan.planId}`,
  };
}

function firstDayUnheld(plan: Plan, flaggedDay: LocalDay, today: LocalDay): LocalDay {
  const ends = plan.holds.flatMap(({ endDay }) => (endDay !== undefined && endDay <= today ? [endDay] : []));
  return [flaggedDay, plan.firstDay, ...ends].reduce((a, b) => (b > a ? b : a));
}
