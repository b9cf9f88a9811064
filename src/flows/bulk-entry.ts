import type { AuditEntry } from "../fhir/audit-event.ts";
import type { BulkJob } from "../store/bulk-job.ts";

/** What every entry of an export or import has in common: by whom and for which job, and that it went well. */
export function bulkEntry(
  { kind, clientId, clientName, jobId }: BulkJob,
  atMs: number,
): Omit<AuditEntry, "patientIds" | "entities"> {
  return {
    atMs,
    clientId,
    ...(clientName === undefined ? {} : { clientName }),
    ...(kind === "export" ? { action: "R", kind } : { action: "C", kind: "upload" }),
    outcome: "0",
    route: `/fhir/$${kind}`,
    requestId: jobId,
  };
}
