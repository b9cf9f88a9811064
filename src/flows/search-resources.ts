import type { Resource } from "@medplum/fhirtypes";
import { includedReferences, revincludeTerms } from "../fhir/search/include.ts";
import type { ParseOptions } from "../fhir/search/parse.ts";
import type { Inclusion, SearchQuery } from "../fhir/search/query.ts";
import { readInTenant, type TenantSession } from "../store/database.ts";
import { readMany, referenceOf, type StoredResource } from "../store/resource.ts";
import { resourcesWithTerms, type SearchPage, searchResources } from "../store/search.ts";
import type { Service } from "./service.ts";

/** One page of a search with what it includes. */
export interface SearchAnswer {
  readonly page: SearchPage;
  readonly included: readonly StoredResource[];
  /** Whether more would have been included than the bound allows. */
  readonly cut: boolean;
}

const mostRounds = 4;

/** How a search is read here, with the bounds of the service. */
export function searchOptions(service: Service, handling: ParseOptions["handling"]): ParseOptions {
  const { defaultCount, maxCount, maxLinks } = service.limits;
  return { handling, defaultCount, maxCount, maxLinks, nowMs: service.now() };
}

/** Runs a parsed search: one statement for the page, and for each round of inclusions one either way. */
export async function search(service: Service, tenantId: number, query: SearchQuery): Promise<SearchAnswer> {
  return readInTenant(service.database, tenantId, (session) => searchIn(service, session, query));
}

/** The same inside a transaction, where it sees what the transaction has written. */
export async function searchIn(service: Service, session: TenantSession, query: SearchQuery): Promise<SearchAnswer> {
  const page = await searchResources(session, query);
  if (query.inclusions.length === 0 || page.matches.length === 0) return { page, included: [], cut: false };
  return { page, ...(await include(service, session, page.matches, query.inclusions)) };
}

/** Follows inclusions; those marked `:iterate` also from what was included, a few rounds and no more. */
async function include(
  service: Service,
  session: TenantSession,
  matches: readonly StoredResource[],
  inclusions: readonly Inclusion[],
): Promise<Pick<SearchAnswer, "included" | "cut">> {
  const { maxIncluded } = service.limits;
  const seen = new Set(matches.map(referenceOf));
  const included: StoredResource[] = [];
  let cut = false;
  let frontier: readonly StoredResource[] = matches;
  for (let round = 0; round < mostRounds && frontier.length > 0 && !cut; round += 1) {
    const active = round === 0 ? inclusions : inclusions.filter((one) => one.iterate);
    const found = await followOnce(service, session, frontier, active);
    const fresh = found.filter((one) => !seen.has(referenceOf(one)));
    cut = included.length + fresh.length > maxIncluded;
    frontier = fresh.slice(0, maxIncluded - included.length);
    for (const one of frontier) seen.add(referenceOf(one));
    included.push(...frontier);
  }
  return { included, cut };
}

async function followOnce(
  service: Service,
  session: TenantSession,
  from: readonly StoredResource[],
  inclusions: readonly Inclusion[],
): Promise<StoredResource[]> {
  const most = service.limits.maxIncluded + 1;
  const forward = inclusions.filter((one) => one.direction === "include");
  const resources = forward.length === 0 ? [] : from.map((one) => JSON.parse(one.body) as Resource);
  const targets = includedReferences(service.definitions, resources, forward).slice(0, most);
  const sources = inclusions
    .filter((one) => one.direction === "revinclude")
    .map((one) => ({ type: one.sourceType, terms: revincludeTerms(service.definitions, one, from.map(referenceOf)) }));
  const found = new Map<string, StoredResource>();
  for (const one of await readMany(session, targets)) found.set(referenceOf(one), one);
  for (const one of await resourcesWithTerms(session, sources, most)) found.set(referenceOf(one), one);
  return [...found.values()];
}
