import { accepted, type Result, refused } from "../domain/result.ts";
import { type EverythingQuery, patientRecord, supportingOf } from "../fhir/everything.ts";
import { readInTenant } from "../store/database.ts";
import { type RecordPage, type RecordPlace, readRecord, readSupporting } from "../store/everything.ts";
import type { StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** One page of a patient's record with what it points to. */
export interface EverythingAnswer {
  readonly page: RecordPage;
  readonly supporting: readonly StoredResource[];
  /** Whether more is pointed to than one page may bring. */
  readonly truncated: boolean;
}

/**
 * One page of everything about a patient: one statement for the page, one for what it points to. 404 when there never
 * was such a patient, 410 when it is deleted. A patient that was merged into another answers for itself alone: the links
 * between the two stand in the resources, and whoever asks decides whether to follow them.
 */
export async function everything(
  service: Service,
  tenantId: number,
  patientId: string,
  query: EverythingQuery,
  after?: RecordPlace,
): Promise<Result<EverythingAnswer>> {
  const record = patientRecord(service.definitions, patientId, query.types);
  return readInTenant(service.database, tenantId, async (session): Promise<Result<EverythingAnswer>> => {
    const page = await readRecord(session, record, { ...query, ...(after === undefined ? {} : { after }) });
    if (page === "unknown")
      return refused({ kind: "not-found", detail: `There is no Patient/${patientId} here.`, status: 404 });
    if (page === "deleted")
      return refused({ kind: "deleted", detail: `Patient/${patientId} has been deleted.`, status: 410 });
    const bodies = page.resources.map((one) => JSON.parse(one.body) as unknown);
    const wanted = supportingOf(service.definitions, bodies, query.types);
    const { maxIncluded } = service.limits;
    const found = await readSupporting(session, wanted, maxIncluded);
    return accepted({ page, supporting: found.slice(0, maxIncluded), truncated: found.length > maxIncluded });
  });
}
