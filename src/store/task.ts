import type { FindingTask } from "../domain/task.ts";
import type { TenantSession } from "./database.ts";

/** Tasks of one rule and subject that concern no patient, oldest episode first. */
export async function readTasksAbout(session: TenantSession, rule: string, subject: string): Promise<FindingTask[]> {
  const rows = await session.query<Record<string, unknown>>(
    `select task_id as "taskId", rule, subject, episode, status, severity, priority, service_priority as "servicePriority",
       due_day as "dueDay", evidence_digest as "evidenceDigest",
       closed_at as "closedMs", closed_by as "closedBy", cleared_since as "clearedSince"
     from finding_task where tenant_id = $1 and patient_id = '' and rule = $2 and subject = $3 order by episode`,
    [session.tenantId, rule, subject],
  );
  return rows.map(
    (row) => Object.fromEntries(Object.entries(row).filter(([, value]) => value !== null)) as unknown as FindingTask,
  );
}
