import type { AuditEntry } from "../fhir/audit-event.ts";
import { appendAudit } from "../store/audit.ts";
import { type Database, inTenant, type TenantSession } from "../store/database.ts";
import type { Service } from "./service.ts";

/** What one run did for one tenant so far, or would. */
export interface RetentionProgress {
  readonly tenant: string;
  readonly rule: "uploads" | "versions" | "audit";
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

/** What a run works on. */
export interface RetentionRun extends RetentionOptions {
  readonly service: Service;
  readonly owner: Database;
  readonly tenants: readonly Tenant[];
}

/** Whose rows they are. */
export interface Tenant {
  readonly tenantId: number;
  readonly slug: string;
}

/** Takes a trial's batch back and tells what it did. */
class TakenBack<T> extends Error {
  readonly value: T;
  constructor(value: T) {
    super("taken back");
    this.value = value;
  }
}

/** One transaction of one tenant; a trial takes it back. */
export async function batch<T>(
  { owner, mode }: RetentionRun,
  tenantId: number,
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

/** No kind of the trail says "time was over" in a code of its own; the action and the door do. */
export async function noteRetention(
  { service, operator }: RetentionRun,
  session: TenantSession,
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
