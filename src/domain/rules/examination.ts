import type { Finding } from "../finding.ts";
import type { Picture } from "../picture.ts";
import type { Examination, Rule, Step } from "./rule.ts";

/**
 * Writes down the steps that `look` asks about one subject. `ask` answers whether a step holds; `look` stops at the first
 * that does not, and gives the finding when all do.
 */
export function examination(subject: string, look: (ask: (step: Step) => boolean) => Finding | undefined): Examination {
  const steps: Step[] = [];
  const finding = look((step) => {
    steps.push(step);
    return step.holds;
  });
  return { subject, steps, ...(finding !== undefined && { finding }) };
}

/** What a rule finds in a picture; empty for nothing. */
export function findingsOf(rule: Rule, picture: Picture): Finding[] {
  return rule.examine(picture).flatMap(({ finding }) => finding ?? []);
}
