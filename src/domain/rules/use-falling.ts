import { changeExamination } from "./change-finding.ts";
import type { Rule } from "./rule.ts";

/** Sessions a day have fallen against their baseline, by the chart of the settings. Off unless somebody switches it on. */
export const useFalling: Rule = {
  code: "use-falling",
  title: "Recorded use is falling",
  source:
    "Control charts as in NIST/SEMATECH e-Handbook 6.3.2; no published study shows that they predict infection in this therapy.",
  examine: (picture) => changeExamination(useFalling.code, "down", picture),
};
