import { partStates } from "../part-state.ts";
import { listed } from "./examination.ts";
import { partFinding } from "./part-finding.ts";
import type { Rule } from "./rule.ts";

/** A part within its lead time, or due today. Once the day has passed it is `part-overdue` instead, never both. */
export const partDue: Rule = {
  code: "part-due",
  title: "Part due for replacement",
  source: "Intervals of the part kinds: common practice, no published source.",
  examine: (picture) =>
    listed(
      partStates(picture).flatMap((state) => {
        const { replaceByDay, dueSoonDay } = state;
        if (state.state !== "due-soon" && state.state !== "due") return [];
        if (replaceByDay === undefined || dueSoonDay === undefined) return [];
        return [partFinding(partDue.code, state, replaceByDay, dueSoonDay)];
      }),
    ),
};
