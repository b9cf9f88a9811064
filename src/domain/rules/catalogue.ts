import { clockDrift } from "./clock-drift.ts";
import { deviceAlerts } from "./device-alerts.ts";
import { deviceIdle } from "./device-idle.ts";
import { infectionCourse } from "./infection-course.ts";
import { longSitting } from "./long-sitting.ts";
import { lowPeakCoughFlow } from "./low-peak-cough-flow.ts";
import { lowSaturation } from "./low-saturation.ts";
import { lowUse } from "./low-use.ts";
import { noRecentRecord } from "./no-recent-record.ts";
import { notificationStopped } from "./notification-stopped.ts";
import { partDue } from "./part-due.ts";
import { partOverdue } from "./part-overdue.ts";
import { planNeedsHold } from "./plan-needs-hold.ts";
import { possibleDuplicate } from "./possible-duplicate.ts";
import { pressureNotReached } from "./pressure-not-reached.ts";
import { reviewDue } from "./review-due.ts";
import type { Rule, RuleText } from "./rule.ts";
import { screeningDue } from "./screening-due.ts";
import { serviceDue } from "./service-due.ts";
import { settingsDiffer } from "./settings-differ.ts";
import { unmatchedRecord } from "./unmatched-record.ts";
import { useFalling } from "./use-falling.ts";
import { useRising } from "./use-rising.ts";
import { usedWhileContraindicated } from "./used-while-contraindicated.ts";

/** What no threshold switches off: the rules of safety. */
export const safetyRules: readonly Rule[] = [usedWhileContraindicated, planNeedsHold];

/** Every rule that reads a patient's picture, those of safety first. A new rule is one file and one line here. */
export const catalogue: readonly Rule[] = [
  ...safetyRules,
  noRecentRecord,
  lowUse,
  longSitting,
  settingsDiffer,
  pressureNotReached,
  lowPeakCoughFlow,
  lowSaturation,
  infectionCourse,
  useRising,
  useFalling,
  partOverdue,
  partDue,
  screeningDue,
  reviewDue,
  serviceDue,
  deviceIdle,
  deviceAlerts,
  clockDrift,
];

/** What a reader is told about every rule, those that are about no patient's picture included. */
export const ruleTexts: readonly RuleText[] = [...catalogue, unmatchedRecord, possibleDuplicate, notificationStopped];
