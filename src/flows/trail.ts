import type { AuditEntry } from "../fhir/audit-event.ts";
import { appendAudit, noteAudit, sealAudit } from "../store/audit.ts";
import { startAuditRun, stopAuditRun } from "../store/audit-run.ts";
import { inTenant, type TenantSession, type Written } from "../store/database.ts";
import { type AuditBuffer, auditBuffer } from "./audit-buffer.ts";
import type { Service } from "./service.ts";

/** Entries of reads that wait at most, and how long: a chain is written for hundreds as quickly as for one. */
const [mostEntries, flushMs] = [5_000, 250];

/**
 * Opens the way into the trail. `processName` is the same at every start of this process, and not that of any other beside
 * it: after a crash its next start says that reads may be missing.
 */
export function openTrail(service: Service, processName: string): AuditBuffer {
  const run = { process: processName, runId: service.newId() };
  const { database, log } = service;
  return auditBuffer({
    append: (tenantId, entries) =>
      inTenant(database, tenantId, async (session) => {
        await sealAudit(session);
        await appendAudit(session, entries);
      }),
    run: {
      start: async (tenantId) => {
        const crashed = await inTenant(database, tenantId, (session) => startAuditRun(session, run, service.now()));
        if (crashed) log.warn({ tenantId }, "the run before ended without a word: reads may be missing in the trail");
      },
      stop: (tenantId) => inTenant(database, tenantId, (session) => stopAuditRun(session, run, service.now())),
    },
    maxEntries: mostEntries,
    flushMs,
    onRetry: (error) => log.error({ code: codeOf(error) }, "the audit trail could not be written; trying again"),
    onLoss: ({ tenantId, entries, error }) =>
      log.error({ tenantId, entries: entries.length, code: codeOf(error) }, "entries never reached the audit trail"),
  });
}

function codeOf(error: unknown): string | undefined {
  return (error as { code?: string } | null)?.code;
}

/**
 * The service whose every writing transaction brings its own entry along: what `entryOf` makes of the resources that were
 * written. A transaction that changes nothing brings none, nor one for which `entryOf` answers undefined. `onNoted` is told
 * of each that was noted.
 */
export function audited(
  service: Service,
  trail: Pick<AuditBuffer, "touch">,
  entryOf: (written: readonly Written[], session: TenantSession) => AuditEntry | undefined,
  onNoted: (entry: AuditEntry) => void = () => undefined,
): Service {
  const beforeCommit = async (session: TenantSession) => {
    const entry = entryOf(session.written, session);
    if (entry === undefined) return;
    noteAudit(session, entry, () => {
      onNoted(entry);
      trail.touch(session.tenantId);
    });
  };
  return { ...service, database: { ...service.database, beforeCommit } };
}

const mostEntities = 100;

/** What the resources that were written say of an entry: the first tells the action, for the others follow from it. */
export function writtenEntry(written: readonly Written[]): Pick<AuditEntry, "patientIds" | "entities"> {
  const references = written.slice(0, mostEntities).map((one) => one.reference);
  const more = written.length - references.length;
  return {
    patientIds: [...new Set(written.flatMap((one) => one.patientId ?? []))],
    entities: more > 0 ? [...references, `and ${more} more`] : references,
  };
}

/** What the service writes of its own accord, by its jobs: for the request that caused them, where one did. */
export function auditedJobs(service: Service, trail: Pick<AuditBuffer, "touch">): Service {
  return audited({ ...service, trail }, trail, (written, { cause }) => {
    if (written.length === 0) return undefined;
    return {
      atMs: service.now(),
      clientId: "jobs",
      clientName: "Tidegate's own jobs",
      action: "E",
      kind: "rest",
      outcome: "0",
      route: "",
      requestId: cause?.requestId ?? "",
      ...writtenEntry(written),
    };
  });
}
