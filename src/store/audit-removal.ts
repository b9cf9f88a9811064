import { type AuditRow, entryOf } from "./audit-row.ts";
import { instant, type TenantSession } from "./database.ts";
import type { Partition } from "./partition.ts";

/** A row of a trail and its hash. */
export interface ChainPlace {
  readonly sequence: number;
  readonly hash: Buffer;
}

/** The last row that went with the beginning of the tenant's trail; undefined where all of it is here. */
export async function lastRemoval(session: TenantSession): Promise<ChainPlace | undefined> {
  const rows = await session.query<ChainPlace>(
    `select r.sequence::double precision as sequence, hash from audit_removal r where tenant_id = $1
     order by r.sequence desc limit 1`,
    [session.tenantId],
  );
  return rows[0];
}

/** The last row of the tenant's trail that lies in a month's partition, as the owner; undefined where none does. */
export async function lastOfMonth(session: TenantSession, month: Partition): Promise<ChainPlace | undefined> {
  const rows = await session.query<ChainPlace>(
    `select a.sequence::double precision as sequence, hash from audit_entry a
     where tenant_id = $1 and at >= $2 and at < $3 order by a.sequence desc limit 1`,
    [session.tenantId, instant(month.startMs), instant(month.endMs)],
  );
  return rows[0];
}

/** Notes that everything up to this row goes; the trail must say so too (`removalOf`). */
export async function noteRemoval(session: TenantSession, place: ChainPlace, atMs: number): Promise<void> {
  await session.query(
    `insert into audit_removal (tenant_id, sequence, hash, removed_at) values ($1, $2::bigint, $3, $4)
     on conflict (tenant_id, sequence) do nothing`,
    [session.tenantId, place.sequence, place.hash, instant(atMs)],
  );
}

/** How an entry of the trail names the last row that went. */
export function removalOf({ sequence, hash }: ChainPlace): string {
  return `the audit trail up to ${sequence}:${hash.toString("hex")}`;
}

/** Whether a row says that everything up to this place was removed. */
export function saysRemoved(row: AuditRow, place: ChainPlace): boolean {
  return row.kind === "retention" && (entryOf(row).reason ?? "").includes(removalOf(place));
}
