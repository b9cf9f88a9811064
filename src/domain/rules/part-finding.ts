import type { Finding } from "../finding.ts";
import type { PartState } from "../part-state.ts";
import type { LocalDay } from "../time.ts";
import { dayInWords, intervalInWords } from "./wording.ts";

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

function titleOf(state: PartState): string {
  return state.kind?.title ?? `Part of kind "${state.part.kind}"`;
}

function reasonOf({ limit, kind, state }: PartState, replaceByDay: LocalDay): string {
  const day = dayInWords(replaceByDay);
  if (limit?.reason === "soiled") return `reported soiled or damaged on ${day}, to be replaced at once.`;
  if (limit?.reason === "use-limit") {
    return `reached its limit of ${kind?.replaceAfterSessions} sessions on ${day}, to be replaced.`;
  }
  const after = kind?.replaceAfter === undefined ? "" : `, ${intervalInWords(kind.replaceAfter)} after fitting`;
  return state === "overdue" ? `was to be replaced by ${day}${after}.` : `to be replaced by ${day}${after}.`;
}
