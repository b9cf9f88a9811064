import { parseSearch } from "../fhir/search/parse.ts";
import type { Subscribed } from "../fhir/subscription.ts";
import { readInTenant } from "../store/database.ts";
import type { ResourceEvent } from "../store/event.ts";
import { readMany, referenceOf } from "../store/resource.ts";
import { searchResources } from "../store/search.ts";
import { searchOptions } from "./search-resources.ts";
import type { Service } from "./service.ts";

/** What is asked of a resource before its events are told. */
export type Asked = Pick<Subscribed, "type" | "queries">;

/** So many resources are asked about at once. */
const mostAtOnce = 100;

/**
 * Those of some events whose resource answers what is asked, as it is now and as the service handed in may see it. What was
 * deleted answers no search. Throws where the queries are no searches any more.
 */
export async function matching(
  service: Service,
  tenantId: number,
  asked: Asked,
  events: readonly ResourceEvent[],
): Promise<ResourceEvent[]> {
  const ids = [...new Set(events.filter(({ type }) => type === asked.type).map(({ id }) => id))];
  const found = new Set<string>();
  for (let from = 0; from < ids.length; from += mostAtOnce) {
    const some = ids.slice(from, from + mostAtOnce);
    for (const id of await answering(service, tenantId, asked, some)) found.add(id);
  }
  return events.filter(({ type, id }) => type === asked.type && found.has(id));
}

async function answering(
  service: Service,
  tenantId: number,
  { type, queries }: Asked,
  ids: readonly string[],
): Promise<string[]> {
  const params = [
    ...queries.flatMap((query) => [...new URLSearchParams(query)]),
    ["_id", ids.join(",")] as [string, string],
  ];
  const query = parseSearch(service.definitions, [type], params, searchOptions(service, "strict"));
  if (!query.ok) throw new Error("what a Subscription asks for is no search of this service any more");
  const wanted = { ...query.value, count: ids.length, total: "none" as const };
  const page = await readInTenant(service.database, tenantId, (session) => searchResources(session, wanted));
  return page.matches.map(({ id }) => id);
}

/** The resources of some events as they are now, by `Type/id`: those that the service handed in may see, and no others. */
export async function seenNow(
  service: Service,
  tenantId: number,
  events: readonly ResourceEvent[],
): Promise<ReadonlyMap<string, string>> {
  const references = [...new Set(events.map(referenceOf))];
  const stored = await readInTenant(service.database, tenantId, (session) => readMany(session, references));
  return new Map(stored.map((one) => [referenceOf(one), one.body]));
}
