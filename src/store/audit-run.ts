import type { AuditEntry } from "../fhir/audit-event.ts";
import { appendAudit } from "./audit.ts";
import type { TenantSession } from "./database.ts";
import { lockText } from "./lock.ts";

/** One run of one process that writes the trail late, from a buffer. */
export interface AuditRun {
  /** The same at every start of the process, and not that of any other that runs beside it. */
  readonly process: string;
  /** Unlike that of every other run. */
  readonly runId: string;
}

/**
 * Marks in the tenant's trail that a run began. Where the last run of the same process has no mark of its end, it crashed,
 * and what it had not yet written is lost: then that is said first, by an entry of kind "process-lost", and true is answered.
 */
export async function startAuditRun(session: TenantSession, run: AuditRun, atMs: number): Promise<boolean> {
  // The lock of append_audit, so that two starts of one process do not both find the same run unfinished.
  await lockText(session, "audit");
  const rows = await session.query<{ kind: string; runId: string; at: number }>(
    `select kind, request_id as "runId", at from audit_entry where tenant_id = $1 and client_id = $2
       and kind in ('process-start', 'process-stop')
     order by audit_entry.sequence desc limit 1`,
    [session.tenantId, clientOf(run)],
  );
  const last = rows[0];
  const start = marker(run, "process-start", atMs);
  if (last?.kind !== "process-start") {
    await appendAudit(session, [start]);
    return false;
  }
  const reason = `The run that began at ${new Date(last.at).toISOString()} never said that it ended. What it had not yet written of reads is lost.`;
  const lost = { ...marker({ ...run, runId: last.runId }, "process-lost", atMs), outcome: "8" as const, reason };
  await appendAudit(session, [lost, start]);
  return true;
}

/** Marks that a run ended with everything written. To be called last, and only where that is so. */
export async function stopAuditRun(session: TenantSession, run: AuditRun, atMs: number): Promise<void> {
  await appendAudit(session, [marker(run, "process-stop", atMs)]);
}

function marker(run: AuditRun, kind: "process-start" | "process-stop" | "process-lost", atMs: number): AuditEntry {
  return {
    atMs,
    clientId: clientOf(run),
    action: "E",
    kind,
    outcome: "0",
    route: "",
    requestId: run.runId,
    patientIds: [],
    entities: [],
  };
}

/** Keeps what a process did apart from what clients did. */
function clientOf(run: AuditRun): string {
  return `process/${run.process}`;
}
