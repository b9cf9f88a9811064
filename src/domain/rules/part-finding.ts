import type { Finding } from "../finding.ts";
import { type PartState, partStates } from "../part-state.ts";
import type { Picture } from "../picture.ts";
import type { LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Step } from "./rule.ts";
import { counted, dayInWords, intervalInWords, plainNumber } from "./wording.ts";

/** States of a part that is no longer fitted: there is nothing to ask about it. */
const ended: ReadonlySet<PartState["state"]> = new Set(["replaced", "removed"]);

/**
 * Examines every part still fitted: `look` says what the rule finds of it once the first step, what limits the part, has
 * been asked.
 */
export function examineParts(
  picture: Picture,
  look: (state: PartState, ask: (step: Step) => boolean) => Finding | undefined,
): Examination[] {
  return partStates(picture)
    .filter((state) => !ended.has(state.state))
    .map((state) => examination(`Device/${state.part.partId}`, (ask) => look(state, ask)));
}

/** Whether anything asks for the part's replacement, and by when. */
export function limitStep(state: PartState): Step {
  const { replaceByDay, part, kind, use } = state;
  const used =
    use === undefined ? "" : ` Used for ${counted(use.sessions, "session")}, ${plainNumber(use.hours)} hours.`;
  const text =
    replaceByDay === undefined
      ? `${titleOf(state)} fitted on ${dayInWords(part.fittedDay)}: nothing asks for its replacement.${used}`
      : `${titleOf(state)} fitted on ${dayInWords(part.fittedDay)}: ${reasonOf(state, replaceByDay)}${used}`;
  return {
    name: "limit",
    text,
    holds: replaceByDay !== undefined,
    ...(kind !== undefined && { source: kind.source }),
    reference: `Device/${part.partId}`,
  };
}

/** What `part-due` and `part-overdue` share; the rules differ in the states they take and in `sinceDay`. */
export function partFinding(rule: string, state: PartState, replaceByDay: LocalDay, sinceDay: LocalDay): Finding {
  const reference = `Device/${state.part.partId}`;
  return {
    rule,
    subject: reference,
    severity: "review",
    safety: false,
    sinceDay,
    // No count of days here: the text would change every day, and with it every Task, although nothing has happened.
    text: `${titleOf(state)} fitted on ${dayInWords(state.part.fittedDay)}: ${reasonOf(state, replaceByDay)}${state.state === "overdue" ? " No newer one is recorded." : ""}`,
    evidence: [
      { name: "fitted", text: `Fitted on ${dayInWords(state.part.fittedDay)}.`, reference },
      { name: "replace-by", text: `Replace by ${dayInWords(replaceByDay)}.`, reference },
      ...(state.kind === undefined ? [] : [{ name: "rule-source", text: `Interval: ${state.kind.source}.` }]),
    ],
    clearsWhen: "A newer part of this kind, or the removal of this one, is recorded.",
    focus: reference,
  };
}

/** A part that is to be looked at and cleaned: families do that themselves, so it is told and raises no Task. */
export function checkFinding(rule: string, state: PartState, checkByDay: LocalDay): Finding {
  const reference = `Device/${state.part.partId}`;
  const every = state.kind?.checkAfter === undefined ? "" : `, every ${intervalInWords(state.kind.checkAfter)}`;
  return {
    rule,
    subject: reference,
    severity: "information",
    safety: false,
    sinceDay: checkByDay,
    text: `${titleOf(state)} fitted on ${dayInWords(state.part.fittedDay)}: to be checked${every}, and cleaned when dirty.`,
    evidence: [
      { name: "fitted", text: `Fitted on ${dayInWords(state.part.fittedDay)}.`, reference },
      ...(state.kind === undefined ? [] : [{ name: "rule-source", text: `Interval: ${state.kind.source}.` }]),
    ],
    clearsWhen: "A check is recorded, or a newer part.",
    focus: reference,
  };
}

/** What a part is called, by its kind. */
export function titleOf(state: PartState): string {
  return state.kind?.title ?? `Part of kind "${state.part.kind}"`;
}

/** Why a part is to be replaced, and by when. */
export function reasonOf({ limit, kind, state }: PartState, replaceByDay: LocalDay): string {
  const day = dayInWords(replaceByDay);
  const replace = state === "overdue" ? `was to be replaced by ${day}` : `to be replaced by ${day}`;
  const interval = kind?.replaceAfter === undefined ? "" : intervalInWords(kind.replaceAfter);
  switch (limit?.reason) {
    case "soiled":
      return `reported soiled or damaged on ${day}, to be replaced at once.`;
    case "use-limit":
      return `reached its limit of ${limitInWords(kind)} on ${day}, to be replaced.`;
    case "infection-course":
      return `the chest infection that it was used in was over on ${day}, to be replaced.`;
    case "infection":
      return `${replace}, sooner than after ${interval} because a chest infection lasts.`;
    case "tracheostomy":
      return `${replace}, sooner than after ${interval} because of the tracheostomy.`;
    default:
      return interval === "" ? `${replace}.` : `${replace}, ${interval} after fitting.`;
  }
}

function limitInWords(kind: PartState["kind"]): string {
  const { replaceAfterSessions: sessions, replaceAfterHours: hours } = kind ?? {};
  return [
    ...(sessions === undefined ? [] : [counted(sessions, "session")]),
    ...(hours === undefined ? [] : [`${plainNumber(hours)} hours`]),
  ].join(" or ");
}
