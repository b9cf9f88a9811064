import { addDays } from "../local-day.ts";
import { partStates } from "../part-state.ts";
import { listed } from "./examination.ts";
import { partFinding } from "./part-finding.ts";
import type { Rule } from "./rule.ts";

/** A part still fitted, by the records, after the last day on which replacing it was in time. */
export const partOverdue: Rule = {
  code: "part-overdue",
  title: "Part overdue for replacement",
  source: "Intervals of the part kinds: common practice, no published source.",
  examine: (picture) =>
    listed(
      partStates(picture).flatMap((state) => {
        const { replaceByDay } = state;
        if (state.state !== "overdue" || replaceByDay === undefined) return [];
        return [partFinding(partOverdue.code, state, replaceByDay, addDays(replaceByDay, 1))];
      }),
    ),
};
