import { sql } from "drizzle-orm";
import { boolean, date, index, integer, jsonb, pgTable, primaryKey, real, uniqueIndex } from "drizzle-orm/pg-core";
import { id, instant, tenant, text } from "./columns.ts";

/** Tasks that findings raised. */
export const findingTask = pgTable(
  "finding_task",
  {
    tenantId: tenant(),
    taskId: id("task_id"),
    /** Empty where the finding is about no patient (an unknown device). */
    patientId: id("patient_id"),
    rule: text("rule").notNull(),
    subject: text("subject").notNull(),
    episode: integer("episode").notNull(),
    status: text("status").notNull(),
    severity: text("severity").notNull(),
    priority: text("priority"),
    servicePriority: text("service_priority"),
    dueDay: date("due_day"),
    evidenceDigest: text("evidence_digest").notNull(),
    closedAt: instant("closed_at"),
    closedBy: text("closed_by"),
    clearedSince: boolean("cleared_since").notNull(),
    open: boolean("open").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.taskId] }),
    // One open Task per rule and subject, whatever two workers do at once.
    uniqueIndex("finding_task_one_open").on(t.tenantId, t.patientId, t.rule, t.subject).where(sql`open`),
    index("finding_task_patient").on(t.tenantId, t.patientId, t.rule, t.subject),
  ],
);

/**
 * What a tenant, or one plan of it, has set instead of the defaults: each change is a version, and none is ever changed,
 * so that a finding of any day can be traced to the numbers it was made with.
 */
export const thresholdSetting = pgTable(
  "threshold_setting",
  {
    tenantId: tenant(),
    /** id of the CarePlan; empty for the tenant's own. */
    planId: id("plan_id"),
    version: integer("version").notNull(),
    setAt: instant("set_at").notNull(),
    /** Who set it, and why, in their own words. */
    setBy: text("set_by"),
    note: text("note"),
    /** The values that differ, each with where it comes from: `{ name: { value, source } }`. */
    settings: jsonb("settings").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.planId, t.version] })],
);

/** One row per patient, written by each review: the caseload is read from here in one statement. */
export const patientSummary = pgTable(
  "patient_summary",
  {
    tenantId: tenant(),
    patientId: id("patient_id"),
    reviewedDay: date("reviewed_day").notNull(),
    reviewedAt: instant("reviewed_at").notNull(),
    daysUsedRatio: real("days_used_ratio"),
    sessionsCompletedRatio: real("sessions_completed_ratio"),
    daysUsed: jsonb("days_used").notNull(),
    sessionsCompleted: jsonb("sessions_completed").notNull(),
    urgentCount: integer("urgent_count").notNull(),
    reviewCount: integer("review_count").notNull(),
    informationCount: integer("information_count").notNull(),
    findings: jsonb("findings").notNull(),
    lastSessionAt: instant("last_session_at"),
    coveredUntil: instant("covered_until"),
    nextPartDueDay: date("next_part_due_day"),
    nextPartKind: text("next_part_kind"),
    /** What the next 90 days need for the parts: `[{kind, day}]`. */
    partNeeds: jsonb("part_needs").notNull().default([]),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.patientId] }),
    // "Whose review is of an earlier day?"
    index("patient_summary_reviewed").on(t.tenantId, t.reviewedDay),
  ],
);
