import { addDays, localDayOf } from "../domain/local-day.ts";
import { type Database, readInTenant } from "../store/database.ts";
import { deleteOldVersions, patientsDueForErasure } from "../store/retention.ts";
import { listTenants } from "../store/tenant.ts";
import { removeOldContent } from "../store/upload-content.ts";
import { dropContents, dropTrail, dropVersions, endOfMonthAt, monthsOver } from "./drop-months.ts";
import { batch, noteRetention, type RetentionOptions, type RetentionRun, type Tenant } from "./retention-run.ts";
import type { Service } from "./service.ts";

/** For how many days what is kept; 0 is for good. */
export interface RetentionRules {
  readonly uploadDays: number;
  readonly versionDays: number;
  readonly auditDays: number;
}

const dayMs = 86_400_000;

/**
 * Removes what the rules say is over: the content of uploads of which everything was taken in, replaced versions, and the
 * audit trail. Nothing in force is ever removed. Months that are over as a whole, for all tenants, are dropped; of the month
 * that the limit lies in, versions and contents are removed row by row, in batches that each are one transaction with its
 * line in the trail. The trail goes by whole months alone.
 */
export async function applyRetention(
  service: Service,
  owner: Database,
  rules: RetentionRules,
  options: RetentionOptions,
): Promise<void> {
  const tenants = await listTenants(owner);
  const run: RetentionRun = { ...options, service, owner, tenants };
  const limit = (days: number) => service.now() - days * dayMs;
  if (rules.uploadDays > 0) {
    const beforeMs = limit(rules.uploadDays);
    const months = await monthsOver(run, "received_content", beforeMs);
    const place = { beforeMs, wholeBeforeMs: months.at(-1)?.endMs ?? Number.NEGATIVE_INFINITY };
    for (const tenant of tenants) await removeUploads(run, tenant, rules.uploadDays, place);
    for (const month of months) await dropContents(run, month);
  }
  if (rules.versionDays > 0) {
    const beforeMs = limit(rules.versionDays);
    const over = await monthsOver(run, "resource_version", beforeMs);
    for (const month of over) await dropVersions(run, month, rules.versionDays);
    const months = {
      startMs: over.at(-1)?.endMs ?? Number.NEGATIVE_INFINITY,
      endMs: await endOfMonthAt(run, beforeMs),
    };
    for (const tenant of tenants) {
      await removeVersions(run, tenant, rules.versionDays, { replacedBeforeMs: beforeMs, months });
    }
  }
  if (rules.auditDays > 0) {
    for (const month of await monthsOver(run, "audit_entry", limit(rules.auditDays))) {
      await dropTrail({ ...run, tenants: [nobody, ...tenants] }, month, rules.auditDays);
    }
  }
}

/** Those leave a trail too under whom nobody could tell. */
const nobody: Tenant = { tenantId: 0, slug: "(no tenant)" };

async function removeUploads(
  run: RetentionRun,
  { tenantId, slug }: Tenant,
  days: number,
  limits: { readonly beforeMs: number; readonly wholeBeforeMs: number },
): Promise<void> {
  const nowMs = run.service.now();
  const count = run.batchSize ?? 200;
  let after = { receivedMs: Number.NEGATIVE_INFINITY, uploadId: "" };
  let rows = 0;
  for (;;) {
    const removed = await batch(run, tenantId, async (session) => {
      const done = await removeOldContent(session, { ...limits, nowMs, after, count });
      if (done !== undefined) await noteRetention(run, session, `content of ${done.rows} uploads, kept ${days} days`);
      return done;
    });
    if (removed === undefined) return;
    after = removed.last;
    rows += removed.rows;
    run.onProgress({ tenant: slug, rule: "uploads", rows });
  }
}

async function removeVersions(
  run: RetentionRun,
  { tenantId, slug }: Tenant,
  days: number,
  limits: { readonly replacedBeforeMs: number; readonly months: { readonly startMs: number; readonly endMs: number } },
): Promise<void> {
  const count = run.batchSize ?? 2_000;
  let after = { type: "", id: "", version: 0 };
  let rows = 0;
  for (;;) {
    const removed = await batch(run, tenantId, async (session) => {
      const done = await deleteOldVersions(session, { ...limits, after, count });
      if (done !== undefined && done.rows > 0) {
        await noteRetention(run, session, `${done.rows} replaced versions, kept ${days} days`);
      }
      return done;
    });
    if (removed === undefined) return;
    after = removed.last;
    rows += removed.rows;
    run.onProgress({ tenant: slug, rule: "versions", rows });
  }
}

/** ids of people who died or left more than so many years ago: local law and policy say whether to erase them. */
export async function erasureDue(service: Service, tenantId: number, years: number): Promise<string[]> {
  const today = localDayOf(service.now(), service.defaultZone);
  const [year, rest] = [Number(today.slice(0, 4)) - years, today.slice(4)];
  // 29 February of a year that has none is 1 March.
  const before = addDays(`${year}-${rest.slice(1, 3)}-01`, Number(rest.slice(4)) - 1);
  return readInTenant(service.database, tenantId, (session) => patientsDueForErasure(session, before));
}
