import { addDays, localDayOf } from "../domain/local-day.ts";
import type { AuditEntry } from "../fhir/audit-event.ts";
import { appendAudit } from "../store/audit.ts";
import { type Database, inTenant, readInTenant, type TenantSession } from "../store/database.ts";
import { deleteOldVersions, patientsDueForErasure } from "../store/retention.ts";
import { listTenants } from "../store/tenant.ts";
import { removeOldContent } from "../store/upload-content.ts";
import type { Service } from "./service.ts";

/** For how many days what is kept; 0 is for good. */
export interface RetentionRules {
  readonly uploadDays: number;
  readonly versionDays: number;
}

/** What one run did for one tenant so far, or would. */
export interface RetentionProgress {
  readonly tenant: string;
  readonly rule: "uploads" | "versions";
  readonly rows: number;
}

/** How a run is done; a trial does every batch and takes it back. */
export interface RetentionOptions {
  readonly mode: "trial" | "apply";
  readonly operator?: string;
  readonly onProgress: (progress: RetentionProgress) => void;
  /** Rows a transaction. */
  readonly batchSize?: number;
}

const dayMs = 86_400_000;

/** Takes a trial's batch back and tells what it did. */
class TakenBack<T> extends Error {
  readonly value: T;
  constructor(value: T) {
    super("taken back");
    this.value = value;
  }
}

/**
 * Removes what the rules say is over, of every tenant, in batches that each are one transaction with its line in the audit
 * trail: the content of uploads of which everything was taken in, and replaced versions. Nothing in force is ever removed.
 */
export async function applyRetention(
  service: Service,
  owner: Database,
  rules: RetentionRules,
  options: RetentionOptions,
): Promise<void> {
  for (const { tenantId, slug } of await listTenants(owner)) {
    const place = { service, owner, tenantId, tenant: slug };
    if (rules.uploadDays > 0) await removeUploads(place, rules.uploadDays, options);
    if (rules.versionDays > 0) await removeVersions(place, rules.versionDays, options);
  }
}

interface Place {
  readonly service: Service;
  readonly owner: Database;
  readonly tenantId: number;
  readonly tenant: string;
}

async function removeUploads(place: Place, days: number, options: RetentionOptions): Promise<void> {
  const nowMs = place.service.now();
  const count = options.batchSize ?? 200;
  let after = { receivedMs: Number.NEGATIVE_INFINITY, uploadId: "" };
  let rows = 0;
  for (;;) {
    const removed = await batch(place, options, async (session) => {
      const done = await removeOldContent(session, { beforeMs: nowMs - days * dayMs, nowMs, after, count });
      if (done !== undefined) await note(place, session, options, `content of ${done.rows} uploads, kept ${days} days`);
      return done;
    });
    if (removed === undefined) return;
    after = removed.last;
    rows += removed.rows;
    options.onProgress({ tenant: place.tenant, rule: "uploads", rows });
  }
}

async function removeVersions(place: Place, days: number, options: RetentionOptions): Promise<void> {
  const replacedBeforeMs = place.service.now() - days * dayMs;
  const count = options.batchSize ?? 2_000;
  let after = { type: "", id: "", version: 0 };
  let rows = 0;
  for (;;) {
    const removed = await batch(place, options, async (session) => {
      const done = await deleteOldVersions(session, { replacedBeforeMs, after, count });
      if (done !== undefined && done.rows > 0) {
        await note(place, session, options, `${done.rows} replaced versions, kept ${days} days`);
      }
      return done;
    });
    if (removed === undefined) return;
    after = removed.last;
    rows += removed.rows;
    options.onProgress({ tenant: place.tenant, rule: "versions", rows });
  }
}

async function batch<T>(
  { owner, tenantId }: Place,
  { mode }: RetentionOptions,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  try {
    return await inTenant(owner, tenantId, async (session) => {
      const value = await work(session);
      if (mode === "trial") throw new TakenBack(value);
      return value;
    });
  } catch (error) {
    if (error instanceof TakenBack) return error.value as T;
    throw error;
  }
}

/** No kind of the trail says "time was over" yet; the action and the door do. */
async function note(
  { service }: Place,
  session: TenantSession,
  { operator }: RetentionOptions,
  what: string,
): Promise<void> {
  const entry: AuditEntry = {
    atMs: service.now(),
    clientId: "operator",
    ...(operator === undefined ? {} : { clientName: operator }),
    action: "D",
    kind: "retention",
    outcome: "0",
    route: "apply-retention",
    requestId: service.newId(),
    patientIds: [],
    entities: [],
    reason: `Removed: ${what}`,
  };
  await appendAudit(session, [entry]);
}

/** ids of people who died or left more than so many years ago: local law and policy say whether to erase them. */
export async function erasureDue(service: Service, tenantId: number, years: number): Promise<string[]> {
  const today = localDayOf(service.now(), service.defaultZone);
  const [year, rest] = [Number(today.slice(0, 4)) - years, today.slice(4)];
  // 29 February of a year that has none is 1 March.
  const before = addDays(`${year}-${rest.slice(1, 3)}-01`, Number(rest.slice(4)) - 1);
  return readInTenant(service.database, tenantId, (session) => patientsDueForErasure(session, before));
}
