import { changeExamination } from "./change-finding.ts";
import type { Rule } from "./rule.ts";

/** Sessions a day have risen against their baseline, by the chart of the settings. Off unless somebody switches it on. */
export const useRising: Rule = {
  code: "use-rising",
  title: "Recorded use is rising",
  source:
    "Control charts as in NIST/SEMATECH e-Handbook 6.3.2; no published study shows that they predict infection in this therapy.",
  examine: (picture) => changeExamination(useRising.code, "up", picture),
};
