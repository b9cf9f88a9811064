import { createHash } from "node:crypto";
import type { AuditEntry } from "../fhir/audit-event.ts";

/** A row of the trail as it is read back. */
export interface AuditRow {
  readonly sequence: number;
  /** Epoch milliseconds, with the fraction that only a change by other hands can have brought. */
  readonly at: string;
  readonly clientId: string;
  readonly action: string;
  readonly kind: string;
  readonly outcome: string;
  readonly route: string;
  readonly requestId: string;
  readonly patientIds: readonly string[];
  readonly entities: readonly string[];
  readonly body: string;
  readonly previousHash: Buffer;
  readonly hash: Buffer;
}

/** What a statement selects to answer AuditRow. */
export const auditColumns = `sequence::double precision as sequence, trim_scale(extract(epoch from at) * 1000)::text as at,
  client_id as "clientId", action, kind, outcome, route, request_id as "requestId", patient_ids as "patientIds", entities,
  body, previous_hash as "previousHash", hash`;

type Content = Omit<AuditRow, "sequence" | "previousHash" | "hash">;

// Far more than any of them has in earnest. An index takes no text of more than about 2,700 bytes, and a row that the
// table refuses would be tried for ever.
const longestIndexed = 256;
const longestShown = 16_384;

/** The text of the entry that is hashed, and that `append_audit` reads the columns from. */
export function entryText(entry: AuditEntry): string {
  return contentText({
    at: String(Math.trunc(entry.atMs)),
    clientId: storable(entry.clientId, longestIndexed),
    action: entry.action,
    kind: entry.kind,
    outcome: entry.outcome,
    route: storable(entry.route, longestIndexed),
    requestId: storable(entry.requestId, longestIndexed),
    patientIds: entry.patientIds.map((patientId) => storable(patientId, longestIndexed)),
    entities: entry.entities.map((reference) => storable(reference, longestIndexed)),
    body: JSON.stringify({
      clientName: storable(entry.clientName, longestShown),
      query: storable(entry.query, longestShown),
      reason: storable(entry.reason, longestShown),
      address: storable(entry.address, longestShown),
    }),
  });
}

/** One text for one content: the twin of what `append_audit` (db/migrations/0005_audit.sql) takes apart. */
function contentText(content: Content): string {
  const { at, clientId, action, kind, outcome, route, requestId, patientIds, entities, body } = content;
  return JSON.stringify([at, clientId, action, kind, outcome, route, requestId, patientIds, entities, body]);
}

/** The hash that a row must have: over the hash before it, whose it is, where it stands and everything it says. */
export function auditHash(tenantId: number, row: AuditRow, previousHash: Buffer): Buffer {
  return createHash("sha256")
    .update(previousHash)
    .update(`${tenantId}:${row.sequence}:${contentText(row)}`)
    .digest();
}

/** The entry that a row was made from. */
export function entryOf(row: AuditRow): AuditEntry {
  const { clientId, route, requestId, patientIds, entities } = row;
  return {
    atMs: Number(row.at),
    clientId,
    action: row.action as AuditEntry["action"],
    kind: row.kind as AuditEntry["kind"],
    outcome: row.outcome as AuditEntry["outcome"],
    route,
    requestId,
    patientIds,
    entities,
    ...(JSON.parse(row.body) as Pick<AuditEntry, "clientName" | "query" | "reason" | "address">),
  };
}

/** The text as PostgreSQL can keep it: no NUL, no half of a surrogate pair; cut where it is longer than anybody meant. */
function storable(text: string, longest: number): string;
function storable(text: string | undefined, longest: number): string | undefined;
function storable(text: string | undefined, longest: number): string | undefined {
  if (text === undefined) return undefined;
  const cut = text.length > longest ? `${text.slice(0, longest)}…` : text;
  return cut.replaceAll("\u0000", "\uFFFD").toWellFormed();
}
