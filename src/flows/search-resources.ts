import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Result } from "../domain/result.ts";
import { includedReferences, revincludeTerms } from "../fhir/search/include.ts";
import type { Inclusion, SearchQuery } from "../fhir/search/query.ts";
import { readInTenant, type TenantSession } from "../store/database.ts";
import { readMany, type StoredResource } from "../store/resource.ts";
import { resourcesWithTerms, type SearchPage, searchResources } from "../store/search.ts";
import type { Service } from "./service.ts";

/** One page of a search with what it includes. */
export interface SearchAnswer {
  readonly page: SearchPage;
  readonly included: readonly StoredResource[];
}

const mostIncluded = 1_000;
const mostRounds = 4;

/** Runs a parsed search: one statement for the page, and one per inclusion and round for what it includes. */
export async function search(service: Service, tenantId: number, query: SearchQuery): Promise<Result<SearchAnswer>> {
  return readInTenant(service.database, tenantId, async (session) => {
    const page = await searchResources(session, query);
    const included =
      query.inclusions.length === 0 ? [] : await include(service, session, page.matches, query.inclusions);
    return accepted({ page, included });
  });
}

/** Follows inclusions; those marked `:iterate` also from what was included, a few rounds and no more. */
async function include(
  service: Service,
  session: TenantSession,
  matches: readonly StoredResource[],
  inclusions: readonly Inclusion[],
): Promise<StoredResource[]> {
  const seen = new Set(matches.map(referenceOf));
  const included: StoredResource[] = [];
  let frontier: readonly StoredResource[] = matches;
  for (let round = 0; round < mostRounds && frontier.length > 0 && included.length < mostIncluded; round += 1) {
    const active = round === 0 ? inclusions : inclusions.filter((one) => one.iterate);
    const found = await followOnce(service, session, frontier, active);
    frontier = found.filter((one) => !seen.has(referenceOf(one))).slice(0, mostIncluded - included.length);
    for (const one of frontier) seen.add(referenceOf(one));
    included.push(...frontier);
  }
  return included;
}

async function followOnce(
  service: Service,
  session: TenantSession,
  from: readonly StoredResource[],
  inclusions: readonly Inclusion[],
): Promise<StoredResource[]> {
  const forward = inclusions.filter((one) => one.direction === "include");
  const resources = forward.length === 0 ? [] : from.map((one) => JSON.parse(one.body) as Resource);
  const found = new Map<string, StoredResource>();
  const targets = [...new Set(includedReferences(service.definitions, resources, forward))].slice(0, mostIncluded);
  for (const one of await readMany(session, targets)) found.set(referenceOf(one), one);
  for (const reverse of inclusions.filter((one) => one.direction === "revinclude")) {
    const terms = revincludeTerms(service.definitions, reverse, from.map(referenceOf));
    for (const one of await resourcesWithTerms(session, reverse.sourceType, terms, mostIncluded)) {
      found.set(referenceOf(one), one);
    }
  }
  return [...found.values()];
}

function referenceOf(stored: StoredResource): string {
  return `${stored.type}/${stored.id}`;
}
