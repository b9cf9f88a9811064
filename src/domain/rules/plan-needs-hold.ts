import { type Contraindication, isInForce, overrideOf } from "../contraindication.ts";
import type { Finding } from "../finding.ts";
import { localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { isHeld, planInForce } from "../plan-in-force.ts";
import type { Plan } from "../prescription.ts";
import type { LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { dayInWords } from "./wording.ts";

/**
 * A contraindication flag in force while the plan still asks for therapy. Momentary ones (vomiting, a full stomach) end
 * by themselves and ask for no hold. Where the plan says why it goes on in spite of this very flag, that is shown as
 * information; another flag of the same kind is not covered by it.
 */
export const planNeedsHold: Rule = {
  code: "plan-needs-hold",
  title: "Plan still active while a contraindication is flagged",
  source: "A safety rule of this service; hold for absolute contraindications, review for relative ones.",
  examine: (picture) => picture.contraindications.map((flag) => examineFlag(flag, picture)),
};

function examineFlag(flag: Contraindication, picture: Picture): Examination {
  const { zone, today } = picture;
  const reference = `Flag/${flag.flagId}`;
  return examination(reference, (ask) => {
    const flagged = dayInWords(localDayOf(flag.startMs, zone));
    const standing = isInForce(flag, picture.nowMs);
    const inForce = {
      name: "flag-in-force",
      text: `"${flag.title}" (${flag.class}), flagged on ${flagged}, ${standing ? "is" : "is not"} in force.`,
      holds: standing,
      reference,
    };
    if (!ask(inForce)) return undefined;
    const lasting = flag.class !== "momentary";
    const text = lasting
      ? "It lasts until somebody ends it."
      : "It is momentary: it ends by itself and asks for no hold.";
    if (!ask({ name: "lasting", text, holds: lasting })) return undefined;
    const plan = planInForce(picture.plans, today);
    const asks = plan !== undefined && plan.status !== "on-hold" && !isHeld(plan, today);
    const asking = {
      name: "plan-asks",
      text:
        plan === undefined
          ? "No plan is in force."
          : `The plan that began on ${dayInWords(plan.firstDay)} is ${asks ? "not on hold" : "on hold"}.`,
      holds: asks,
      ...(plan !== undefined && { reference: `CarePlan/${plan.planId}` }),
    };
    if (!ask(asking) || plan === undefined) return undefined;
    const reason = overrideOf(flag, plan)?.reason;
    return reason === undefined ? findingOf(flag, plan, picture) : decidedOf(flag, plan, reason, picture);
  });
}

function findingOf(flag: Contraindication, plan: Plan, picture: Picture): Finding {
  const { zone, today } = picture;
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
    evidence: evidenceOf(flag, plan, flaggedDay),
    clearsWhen: "The plan is put on hold or ended, or the flag ends.",
    focus: `CarePlan/${plan.planId}`,
  };
}

/** Somebody has decided, and said why: shown with the reason, and nobody is asked again. */
function decidedOf(flag: Contraindication, plan: Plan, reason: string, picture: Picture): Finding {
  const { zone, today } = picture;
  const flaggedDay = localDayOf(flag.startMs, zone);
  return {
    rule: planNeedsHold.code,
    subject: `Flag/${flag.flagId}`,
    severity: "information",
    safety: false,
    sinceDay: firstDayUnheld(plan, flaggedDay, today),
    text: `The contraindication "${flag.title}" (${flag.class}), flagged on ${dayInWords(flaggedDay)}, is in force, and the plan says why it goes on: "${reason}"`,
    evidence: [...evidenceOf(flag, plan, flaggedDay), { name: "override-reason", text: reason }],
    clearsWhen: "The plan is put on hold or ended, or the flag ends.",
    focus: `CarePlan/${plan.planId}`,
  };
}

function evidenceOf(flag: Contraindication, plan: Plan, flaggedDay: LocalDay): Finding["evidence"] {
  return [
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
  ];
}

function firstDayUnheld(plan: Plan, flaggedDay: LocalDay, today: LocalDay): LocalDay {
  const ends = plan.holds.flatMap(({ endDay }) => (endDay !== undefined && endDay <= today ? [endDay] : []));
  return [flaggedDay, plan.firstDay, ...ends].reduce((a, b) => (b > a ? b : a));
}
