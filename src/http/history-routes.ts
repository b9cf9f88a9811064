import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { historyText } from "../fhir/history-bundle.ts";
import { type HistoryScope, parseHistory } from "../fhir/history-query.ts";
import { pageLinks } from "../fhir/page-links.ts";
import { subsetText } from "../fhir/subset.ts";
import { type HistoryCursor, history } from "../flows/history.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { addressParameters, preferenceOf } from "./fhir-request.ts";

/** Histories of a resource, a type and everything (https://hl7.org/fhir/R4/http.html#history). */
export function historyRoutes(app: FastifyInstance, doors: Doors): void {
  app.get("/_history", (request, reply) =>
    sendHistory(doors, request, reply, { types: doors.service.definitions.types }, "_history"),
  );
  app.get<{ Params: { type: string } }>("/:type/_history", (request, reply) => {
    const { type } = request.params;
    return sendHistory(doors, request, reply, { type }, `${type}/_history`);
  });
  app.get<{ Params: { type: string; id: string } }>("/:type/:id/_history", (request, reply) => {
    const { type, id } = request.params;
    return sendHistory(doors, request, reply, { type, id }, `${type}/${id}/_history`);
  });
}

async function sendHistory(
  doors: Doors,
  request: FastifyRequest,
  reply: FastifyReply,
  scope: HistoryScope,
  path: string,
): Promise<FastifyReply> {
  const params = addressParameters(request);
  const { defaultCount, maxCount } = doors.service.limits;
  const { handling } = preferenceOf(request);
  const query = answered(parseHistory(params, { handling, defaultCount, maxCount }));
  // The number of versions on a page may change between two pages, and what is shown of each; what is listed may not.
  const list = ["fhir-history", request.tenantId, path, query.sinceMs, query.at];
  const place = params.find(([name]) => name === "_cursor")?.[1];
  const cursor = place === undefined ? undefined : (doors.cursors.read(list, place) as HistoryCursor);
  const page = answered(await history(request.service, request.tenantId, scope, query, cursor));
  const baseUrl = fhirBase(doors, request);
  const next = page.next && doors.cursors.write(list, page.next);
  const text = historyText({
    baseUrl,
    versions: page.versions.map((one) => (one.deleted ? one : { ...one, body: subsetText(one.body, query) })),
    links: pageLinks({ address: `${baseUrl}/${path}`, used: query.used, cursor: place, next }),
    ...(page.total === undefined ? {} : { total: page.total }),
  });
  return reply.type(fhirJson).send(text);
}
