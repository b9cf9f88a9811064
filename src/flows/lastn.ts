import { accepted, type Result, refused } from "../domain/result.ts";
import type { LastnQuery } from "../fhir/lastn.ts";
import { readInTenant } from "../store/database.ts";
import { lastObservations } from "../store/lastn.ts";
import type { SearchAnswer } from "./search-resources.ts";
import type { Service } from "./service.ts";

/** The last observations of each code, as one page; more than a page may hold is refused, for a part of them would mislead. */
export async function lastn(service: Service, tenantId: number, query: LastnQuery): Promise<Result<SearchAnswer>> {
  const { maxCount } = service.limits;
  const found = await readInTenant(service.database, tenantId, (session) =>
    lastObservations(session, query.search.branches, query.max, maxCount),
  );
  if (found.length > maxCount) {
    const detail = `More than ${maxCount} observations would be answered. Ask with a smaller max, or for fewer codes.`;
    return refused({ kind: "too-costly", detail, at: "max", status: 422 });
  }
  const matches = found.map((one) => ({ ...one, sortValues: [] }));
  return accepted({ page: { matches, more: false }, included: [], cut: false });
}
