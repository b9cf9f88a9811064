import { type CaseloadQuery, type CaseloadRow, readCaseload } from "../store/caseload.ts";
import { readInTenant } from "../store/database.ts";
import type { Service } from "./service.ts";

/** One page of the caseload, and where the next one starts when there is one. */
export interface CaseloadPage {
  readonly rows: readonly CaseloadRow[];
  readonly next?: { readonly value: string | null; readonly patientId: string };
}

/** The caseload in one statement: one row per patient as the last review left it. */
export async function caseload(service: Service, tenantId: number, query: CaseloadQuery): Promise<CaseloadPage> {
  const rows = await readInTenant(service.database, tenantId, (session) =>
    readCaseload(session, { ...query, count: query.count + 1 }),
  );
  const last = rows[query.count - 1];
  if (rows.length <= query.count || last === undefined) return { rows };
  return { rows: rows.slice(0, query.count), next: { value: last.sortValue, patientId: last.patientId } };
}
