import { checkFinding, examineParts, limitStep, partFinding } from "./part-finding.ts";
import type { Rule } from "./rule.ts";
import { dayInWords } from "./wording.ts";

/**
 * A part within its lead time, or due today. Once the day has passed it is `part-overdue` instead, never both. A part that
 * is only to be checked is told as information.
 */
export const partDue: Rule = {
  code: "part-due",
  title: "Part due for replacement",
  source: "Intervals of the part kinds: common practice, no published source.",
  examine: (picture) =>
    examineParts(picture, (state, ask) => {
      const { replaceByDay, dueSoonDay, checkByDay } = state;
      const isDue = state.state === "due-soon" || state.state === "due";
      const toCheck = !isDue && state.state !== "overdue" && checkByDay !== undefined && checkByDay <= picture.today;
      if (toCheck) {
        ask({
          name: "check",
          text: `To be checked by ${dayInWords(checkByDay)}; its replacement is not due.`,
          holds: true,
          reference: `Device/${state.part.partId}`,
        });
        return checkFinding(partDue.code, state, checkByDay);
      }
      if (!ask(limitStep(state)) || replaceByDay === undefined || dueSoonDay === undefined) return undefined;
      const when =
        state.state === "overdue"
          ? "That day has passed, so it is overdue instead."
          : `It is worth acting on from ${dayInWords(dueSoonDay)}.`;
      if (!ask({ name: "due", text: when, holds: isDue })) return undefined;
      return partFinding(partDue.code, state, replaceByDay, dueSoonDay);
    }),
};
