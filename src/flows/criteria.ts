import { accepted, type Result, refused } from "../domain/result.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import { type TenantSession, withTheirEyes } from "../store/database.ts";
import { lockText } from "../store/lock.ts";
import type { StoredResource } from "../store/resource.ts";
import { searchResources } from "../store/search.ts";
import { searchOptions } from "./search-resources.ts";
import type { Service } from "./service.ts";

/** What a conditional interaction asks for: `identifier=x&birthdate=1970-01-01` of one type. */
export interface Criteria {
  readonly type: string;
  readonly text: string;
}

/**
 * The resources that answer the criteria of a conditional interaction, at most `most` and one more
 * (https://hl7.org/fhir/R4/http.html#ccreate). Until the transaction ends nobody else acts on the same criteria, so what was
 * not found stays not found: eight creates at once make one resource.
 */
async function matchCriteria(
  service: Service,
  session: TenantSession,
  criteria: Criteria,
  most: number,
): Promise<Result<readonly StoredResource[]>> {
  const params = [...new URLSearchParams(criteria.text)];
  if (params.length === 0) {
    const detail = "A conditional interaction names what it is about: one search parameter at least.";
    return refused({ kind: "required", detail, status: 412 });
  }
  const query = parseSearch(service.definitions, [criteria.type], params, searchOptions(service, "strict"));
  if (!query.ok) return query;
  if (query.value.branches.every((branch) => branch.clauses.length === 0)) {
    const detail =
      "The criteria say how to answer and not what is meant. Name one search parameter of the type at least.";
    return refused({ kind: "required", detail, status: 412 });
  }
  await lockText(
    session,
    `${criteria.type}?${params
      .map((pair) => pair.join("="))
      .sort()
      .join("&")}`,
  );
  const wanted = { ...query.value, count: most + 1, total: "none" as const };
  return accepted((await withTheirEyes(service.database, session, () => searchResources(session, wanted))).matches);
}

/** The one resource that answers, or none; more than one is refused with 412. */
export async function matchOne(
  service: Service,
  session: TenantSession,
  criteria: Criteria,
): Promise<Result<StoredResource | undefined>> {
  const found = await matchCriteria(service, session, criteria, 1);
  if (!found.ok) return found;
  if (found.value.length < 2) return accepted(found.value[0]);
  const detail = `More than one ${criteria.type} answers these criteria. Ask for one: an identifier does.`;
  return refused({ kind: "multiple-matches", detail, status: 412 });
}

/** The one resource to patch; none is refused with 404. */
export async function matchToPatch(
  service: Service,
  session: TenantSession,
  criteria: Criteria,
): Promise<Result<StoredResource>> {
  const found = await matchOne(service, session, criteria);
  if (!found.ok) return found;
  if (found.value !== undefined) return accepted(found.value);
  const detail = `No ${criteria.type} answers these criteria, so there is nothing to patch.`;
  return refused({ kind: "not-found", detail, status: 404 });
}

/** All resources that answer; more than may be deleted at once are refused with 412. */
export async function matchAll(
  service: Service,
  session: TenantSession,
  criteria: Criteria,
): Promise<Result<readonly StoredResource[]>> {
  const { maxDeleted } = service.limits;
  const found = await matchCriteria(service, session, criteria, maxDeleted);
  if (!found.ok || found.value.length <= maxDeleted) return found;
  const detail = `More than ${maxDeleted} ${criteria.type} resources answer these criteria. Delete fewer at once.`;
  return refused({ kind: "multiple-matches", detail, status: 412 });
}
