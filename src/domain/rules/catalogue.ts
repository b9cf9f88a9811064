import { longSitting } from "./long-sitting.ts";
import { lowUse } from "./low-use.ts";
import { noRecentRecord } from "./no-recent-record.ts";
import { partDue } from "./part-due.ts";
import { partOverdue } from "./part-overdue.ts";
import { planNeedsHold } from "./plan-needs-hold.ts";
import type { Rule, RuleText } from "./rule.ts";
import { settingsDiffer } from "./settings-differ.ts";
import { unmatchedRecord } from "./unmatched-record.ts";
import { useFalling } from "./use-falling.ts";
import { useRising } from "./use-rising.ts";
import { usedWhileContraindicated } from "./used-while-contraindicated.ts";

/** Rules of safety: no threshold switches them off. */
export const safetyRules: readonly Rule[] = [usedWhileContraindicated, planNeedsHold];

/** Every rule that reads a patient's picture, those of safety first. A new rule is one file and one line here. */
export const catalogue: readonly Rule[] = [
  ...safetyRules,
  noRecentRecord,
  lowUse,
  longSitting,
  settingsDiffer,
  useRising,
  useFalling,
  partOverdue,
  partDue,
];

/** What a reader is told about every rule, the one that is about no patient's picture included. */
export const ruleTexts: readonly RuleText[] = [...catalogue, unmatchedRecord];
