import type { Fact } from "../domain/facts.ts";
import type { TenantSession } from "./database.ts";
import type { FactTable } from "./fact-table.ts";
import { factTables } from "./fact-tables.ts";

/** What one written resource states now; an empty list takes back what it stated before. */
export interface StatedFacts {
  readonly type: string;
  readonly id: string;
  readonly facts: readonly Fact[];
  /** The resource is new, so there is nothing to take back. */
  readonly isNew?: boolean;
}

/**
 * Replaces what these resources stated, one statement per table concerned, whatever the number of rows.
 * Answers the ids of the patients concerned, former ones included; a change of a device or of coverage concerns
 * whoever has used the device.
 */
export async function saveFacts(session: TenantSession, stated: readonly StatedFacts[]): Promise<string[]> {
  const devices = stated.flatMap((one) => one.facts.flatMap(deviceConcerned));
  const patients = await Promise.all([
    ...factTables.map((table) => saveInTable(session, table, stated)),
    usersOfDevices(session, devices),
  ]);
  return [...new Set(patients.flat())].sort();
}

/** Answers whom the change concerns. */
async function saveInTable(
  session: TenantSession,
  table: FactTable,
  stated: readonly StatedFacts[],
): Promise<string[]> {
  const here = stated.filter((one) => table.from.includes(one.type));
  const rows = here.flatMap((one) => one.facts.flatMap((fact) => table.rows(fact)));
  const former = here.filter((one) => one.isNew !== true).map((one) => one.id);
  if (rows.length === 0 && former.length === 0) return [];
  const given = [session.tenantId, JSON.stringify(rows)];
  const answer = await session.query<{ patient_id: string | null }>(
    statementOf(table, former.length > 0),
    former.length > 0 ? [...given, former] : given,
  );
  return answer.flatMap(({ patient_id: patientId }) => patientId ?? []);
}

function deviceConcerned(fact: Fact): string[] {
  if (fact.kind === "device") return [fact.device.deviceId];
  if (fact.kind === "coverage") return fact.coverage.map((range) => range.deviceId);
  if (fact.kind === "clock-check") return [fact.check.deviceId];
  return [];
}

async function usersOfDevices(session: TenantSession, deviceIds: readonly string[]): Promise<string[]> {
  if (deviceIds.length === 0) return [];
  const rows = await session.query<{ patient_id: string }>(
    "select distinct patient_id from device_use where tenant_id = $1 and device_id = any($2::text[])",
    [session.tenantId, [...new Set(deviceIds)]],
  );
  return rows.map((row) => row.patient_id);
}

const statements = new Map<string, string>();

/** Upserts the rows given; with `replaces`, removes those that the same resources stated before and do not state now. */
function statementOf(spec: FactTable, replaces: boolean): string {
  const name = `${spec.table} ${replaces}`;
  const known = statements.get(name);
  if (known !== undefined) return known;
  const names = Object.keys(spec.columns);
  const same = spec.key.map((column) => `i.${column} = t.${column}`).join(" and ");
  const updates = names.filter((name) => !spec.key.includes(name)).map((name) => `${name} = excluded.${name}`);
  const conflict = updates.length === 0 ? "do nothing" : `do update set ${updates.join(", ")}`;
  const gone = `gone as (
      delete from ${spec.table} t where t.tenant_id = $1::int and t.${spec.source} = any($3::text[])
        and not exists (select 1 from input i where ${same})
      returning ${spec.patient} as patient_id
    ), `;
  const text = `with input as materialized (
      select * from jsonb_to_recordset($2::jsonb) as x(${names.map((name) => `${name} ${spec.columns[name]}`).join(", ")})
    ), ${replaces ? gone : ""}saved as (
      insert into ${spec.table} (tenant_id, ${names.join(", ")}) select $1::int, ${names.join(", ")} from input
      on conflict (tenant_id, ${spec.key.join(", ")}) ${conflict}
      returning ${spec.patient} as patient_id
    )
    ${replaces ? "select patient_id from gone union " : ""}select distinct patient_id from saved`;
  statements.set(name, text);
  return text;
}

/** Queues the review of these patients in the caller's transaction: one waiting job each, however often it is asked for. */
export function queueReviews(session: TenantSession, patientIds: readonly string[]): void {
  if (patientIds.length > 0) session.send("select queue_reviews($1::text[])", [[...new Set(patientIds)].sort()]);
}

/** Queues the look at what of one device could not be matched, in the caller's transaction. */
export function queueUnmatchedReview(session: TenantSession, deviceIdentifier: string): void {
  session.send("select queue_unmatched_review($1)", [deviceIdentifier]);
}
