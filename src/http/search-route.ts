import type { FastifyReply, FastifyRequest } from "fastify";
import { type SearchsetParts, searchsetText } from "../fhir/bundle.ts";
import { issueOf } from "../fhir/outcome.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import type { SearchQuery } from "../fhir/search/query.ts";
import { subsetText } from "../fhir/subset.ts";
import { search } from "../flows/search-resources.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { preferenceOf, searchParameters } from "./fhir-request.ts";

const defaultCount = 20;
const maxCount = 500;

/** Answers a search of one type with a page of results and the link to the next (https://hl7.org/fhir/R4/http.html#paging). */
export async function searchRoute(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const { type } = request.params as { type: string };
  const params = searchParameters(request, doors.maxBodyBytes);
  const parsed = parseSearch(doors.service.definitions, type, params, {
    handling: preferenceOf(request).handling,
    defaultCount,
    maxCount,
    nowMs: doors.service.now(),
  });
  const cursor = params.find(([name]) => name === "_cursor")?.[1];
  const asked = answered(parsed);
  const list = ["fhir", request.tenantId, type, asked.sort];
  const after = cursor === undefined ? undefined : (doors.cursors.read(list, cursor) as (string | null)[]);
  const query: SearchQuery = after === undefined ? asked : { ...asked, after };
  const { page, included } = answered(await search(doors.service, request.tenantId, query));
  const base = fhirBase(doors, request);
  const last = page.matches.at(-1);
  const next = page.more && last !== undefined ? doors.cursors.write(list, last.sortValues) : undefined;
  const text = searchsetText({
    baseUrl: base,
    matches: page.matches.map((one) => ({ ...one, body: subsetText(one.body, query) })),
    included,
    links: linksOf(`${base}/${type}`, query, cursor, next),
    ...(page.total === undefined ? {} : { total: page.total }),
    ...ignoredOutcome(query),
  });
  return reply.type(fhirJson).send(text);
}

function linksOf(
  address: string,
  query: SearchQuery,
  cursor: string | undefined,
  next: string | undefined,
): SearchsetParts["links"] {
  const link = (relation: string, place: string | undefined) => {
    const params = new URLSearchParams(query.used.map(([name, value]) => [name, value]));
    if (place !== undefined) params.append("_cursor", place);
    const text = params.toString();
    return { relation, url: text === "" ? address : `${address}?${text}` };
  };
  return [link("self", cursor), ...(next === undefined ? [] : [link("next", next)])];
}

function ignoredOutcome(query: SearchQuery): Pick<SearchsetParts, "outcome"> {
  if (query.ignored.length === 0) return {};
  const issue = query.ignored.map(({ name, reason }) =>
    issueOf({ kind: "not-supported", detail: reason, at: name }, "warning"),
  );
  return { outcome: { resourceType: "OperationOutcome", issue } };
}
