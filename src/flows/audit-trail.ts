import { auditEvent } from "../fhir/audit-event.ts";
import type { AuditQuery } from "../fhir/audit-query.ts";
import { type AuditCheck, type AuditHead, readAudit, sealAudit, verifyAudit } from "../store/audit.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import type { Service } from "./service.ts";

/** One page of the trail, newest event first. */
export interface TrailPage {
  /** Each event's id and its JSON text. */
  readonly events: readonly { readonly type: "AuditEvent"; readonly id: string; readonly body: string }[];
  /** Where the next page starts; absent on the last. */
  readonly next?: number;
}

/** Reads a page of the tenant's trail, up to what has been committed this moment. */
export async function trailPage(
  service: Service,
  tenantId: number,
  query: AuditQuery,
  beforeSequence?: number,
): Promise<TrailPage> {
  await inTenant(service.database, tenantId, sealAudit);
  const { count, used: _, ...asked } = query;
  const found = await readInTenant(service.database, tenantId, (session) =>
    readAudit(session, { ...asked, count: count + 1, ...(beforeSequence === undefined ? {} : { beforeSequence }) }),
  );
  const page = found.slice(0, count);
  const last = page.at(-1)?.sequence;
  return {
    events: page.map(({ sequence, entry }) => {
      const id = String(sequence);
      return { type: "AuditEvent", id, body: JSON.stringify(auditEvent(entry, id)) };
    }),
    ...(found.length > count && last !== undefined ? { next: last } : {}),
  };
}

/** Chains what was noted, and follows the chain from its beginning to its end. */
export async function checkTrail(service: Service, tenantId: number, noted?: AuditHead): Promise<AuditCheck> {
  await inTenant(service.database, tenantId, sealAudit);
  return readInTenant(service.database, tenantId, (session) => verifyAudit(session, 1, noted));
}
