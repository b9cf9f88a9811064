import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { isEventId, parseAuditQuery } from "../fhir/audit-query.ts";
import { searchsetText } from "../fhir/bundle.ts";
import { pageLinks } from "../fhir/page-links.ts";
import { trailPage } from "../flows/audit-trail.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { searchParameters } from "./fhir-request.ts";

/** The trail of who did what as AuditEvents, to search and to read (https://hl7.org/fhir/R4/auditevent.html). */
export function auditRoutes(app: FastifyInstance, doors: Doors): void {
  app.get("/AuditEvent", (request, reply) => sendEvents(doors, request, reply));
  app.post("/AuditEvent/_search", (request, reply) => sendEvents(doors, request, reply));
  app.get<{ Params: { id: string } }>("/AuditEvent/:id", async (request, reply) => {
    const { id } = request.params;
    const asked = isEventId(id) ? { sequence: Number(id), count: 1, used: [] } : undefined;
    const found = asked && (await trailPage(doors.service, request.tenantId, asked)).events[0];
    if (found !== undefined) return reply.type(fhirJson).send(found.body);
    const detail = `There is no AuditEvent/${id} here.`;
    throw new RefusedRequest([{ kind: "not-found", detail, status: 404 }]);
  });
}

async function sendEvents(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const params = searchParameters(request, doors.maxBodyBytes);
  const query = answered(parseAuditQuery(params, doors.service.limits));
  const list = ["trail", request.tenantId, query.used.filter(([name]) => name !== "_count")];
  const cursor = params.find(([name]) => name === "_cursor")?.[1];
  const before = cursor === undefined ? undefined : (doors.cursors.read(list, cursor) as number);
  const { events, next } = await trailPage(doors.service, request.tenantId, query, before);
  const baseUrl = fhirBase(doors, request);
  const nextPlace = next === undefined ? undefined : doors.cursors.write(list, next);
  const links = pageLinks({ address: `${baseUrl}/AuditEvent`, used: query.used, cursor, next: nextPlace });
  return reply.type(fhirJson).send(searchsetText({ baseUrl, matches: events, included: [], links }));
}
