import type { FindingTask } from "../domain/finding-task.ts";
import type { LocalDay } from "../domain/time.ts";
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

/** Which finding a Task was raised for; `patientId` is empty where it concerns no patient. Undefined for other Tasks. */
export async function readTask(
  session: TenantSession,
  taskId: string,
): Promise<{ readonly patientId: string; readonly rule: string; readonly subject: string } | undefined> {
  const rows = await session.query<{ patientId: string; rule: string; subject: string }>(
    `select patient_id as "patientId", rule, subject from finding_task where tenant_id = $1 and task_id = $2`,
    [session.tenantId, taskId],
  );
  return rows[0];
}

/**
 * Subjects of the open Tasks of one rule that concern no patient, are overdue on this day, and may be raised further:
 * a person has not given them a priority of their own, and they are not as high as the service raises any.
 */
export async function overdueSubjectsAbout(session: TenantSession, rule: string, today: LocalDay): Promise<string[]> {
  const rows = await session.query<{ subject: string }>(
    `select distinct subject from finding_task
     where tenant_id = $1 and patient_id = '' and rule = $2 and open and due_day < $3::date
       and priority = service_priority and priority <> 'asap' order by subject`,
    [session.tenantId, rule, today],
  );
  return rows.map((row) => row.subject);
}
