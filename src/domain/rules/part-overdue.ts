import { addDays } from "../local-day.ts";
import { examineParts, limitStep, partFinding } from "./part-finding.ts";
import type { Rule } from "./rule.ts";

/** A part still fitted, by the records, after the last day on which replacing it was in time. */
export const partOverdue: Rule = {
  code: "part-overdue",
  title: "Part overdue for replacement",
  source: "Intervals of the part kinds: common practice, no published source.",
  examine: (picture) =>
    examineParts(picture, (state, ask) => {
      const { replaceByDay } = state;
      if (!ask(limitStep(state)) || replaceByDay === undefined) return undefined;
      const overdue = state.state === "overdue";
      const text = overdue ? "That day has passed." : "That day has not passed.";
      if (!ask({ name: "passed", text, holds: overdue })) return undefined;
      return partFinding(partOverdue.code, state, replaceByDay, addDays(replaceByDay, 1));
    }),
};
