import { lastOfMonth, noteRemoval, removalOf } from "../store/audit-removal.ts";
import { type AgedTable, dropPartition, monthsOf, type Partition, rowsIn } from "../store/partition.ts";
import { keepContents } from "../store/upload-content.ts";
import { batch, noteRetention, type RetentionRun } from "./retention-run.ts";

/** Months of a table that are over as a whole at a moment, oldest first. The rules are the same for all tenants. */
export async function monthsOver({ owner }: RetentionRun, table: AgedTable, atMs: number): Promise<Partition[]> {
  return (await monthsOf(owner, table)).filter(({ endMs }) => endMs <= atMs);
}

/** Where the month of versions that a moment lies in ends; the moment itself where no month has it. */
export async function endOfMonthAt({ owner }: RetentionRun, atMs: number): Promise<number> {
  const months = await monthsOf(owner, "resource_version");
  return Math.max(atMs, ...months.filter(({ startMs }) => startMs < atMs).map(({ endMs }) => endMs));
}

/**
 * Drops a month of contents. What of it is over was said to be removed before; what is not, because something of the upload
 * was refused, is filed elsewhere first.
 */
export async function dropContents(run: RetentionRun, month: Partition): Promise<void> {
  for (const { tenantId } of run.tenants) await batch(run, tenantId, (session) => keepContents(session, month));
  if (run.mode === "apply") await dropPartition(run.owner, "received_content", month);
}

/** Drops a month of replaced versions, each tenant's trail saying how many of its own go. */
export async function dropVersions(run: RetentionRun, month: Partition, days: number): Promise<void> {
  for (const { tenantId, slug } of run.tenants) {
    const rows = await batch(run, tenantId, async (session) => {
      const found = await rowsIn(session, month);
      if (found > 0) await noteRetention(run, session, `${found} replaced versions, kept ${days} days`);
      return found;
    });
    if (rows > 0) run.onProgress({ tenant: slug, rule: "versions", rows });
  }
  if (run.mode === "apply") await dropPartition(run.owner, "resource_version", month);
}

/** Drops a month of the trail, each chain going on from the last row of it, which the trail names. */
export async function dropTrail(run: RetentionRun, month: Partition, days: number): Promise<void> {
  for (const { tenantId, slug } of run.tenants) {
    const rows = await batch(run, tenantId, async (session) => {
      const last = await lastOfMonth(session, month);
      if (last === undefined) return 0;
      const found = await rowsIn(session, month);
      await noteRemoval(session, last, run.service.now());
      await noteRetention(run, session, `${found} entries, ${removalOf(last)}, kept ${days} days`);
      return found;
    });
    if (rows > 0) run.onProgress({ tenant: slug, rule: "audit", rows });
  }
  if (run.mode === "apply") await dropPartition(run.owner, "audit_entry", month);
}
