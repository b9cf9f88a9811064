import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { type SearchsetParts, searchsetText } from "../fhir/bundle.ts";
import { everythingQuery, everythingRules } from "../fhir/everything.ts";
import { issueOf } from "../fhir/outcome.ts";
import { pageLinks } from "../fhir/page-links.ts";
import { readParameters } from "../fhir/parameters.ts";
import { everything } from "../flows/everything.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { operationInput } from "./operation-input.ts";
import { refuseOtherMethods } from "./other-methods.ts";

/** `Patient/[id]/$everything` by GET and POST (https://hl7.org/fhir/R4/patient-operation-everything.html). */
export function everythingRoutes(app: FastifyInstance, doors: Doors): void {
  app.route<{ Params: { id: string } }>({
    method: ["GET", "POST"],
    url: "/Patient/:id/$everything",
    handler: (request, reply) => sendPage(doors, request, reply),
  });
  refuseOtherMethods(app, { "/Patient/:id/$everything": ["GET", "POST"] });
}

async function sendPage(
  doors: Doors,
  request: FastifyRequest<{ Params: { id: string } }>,
  reply: FastifyReply,
): Promise<FastifyReply> {
  const { id } = request.params;
  const sent = operationInput(request, doors.maxBodyBytes);
  const cursor = sent.query.find(([name]) => name === "_cursor")?.[1];
  const input = { ...sent, query: sent.query.filter(([name]) => name !== "_cursor") };
  const values = answered(readParameters(everythingRules, input));
  const query = answered(everythingQuery(doors.service.definitions, values, doors.service.limits.maxCount));
  const list = ["everything", request.tenantId, id, query.startMs, query.endMs, query.sinceMs, query.types];
  const after = cursor === undefined ? undefined : (doors.cursors.read(list, cursor) as [number, string, string]);
  const { page, supporting, truncated } = answered(
    await everything(request.service, request.tenantId, id, query, after),
  );
  const base = fhirBase(doors, request);
  const next = page.more && page.end !== undefined ? doors.cursors.write(list, page.end) : undefined;
  const text = searchsetText({
    baseUrl: base,
    matches: page.resources,
    included: supporting,
    links: pageLinks({ address: `${base}/Patient/${id}/$everything`, used: query.used, cursor, next }),
    ...(truncated ? { outcome: truncatedOutcome(supporting.length) } : {}),
  });
  return reply.type(fhirJson).send(text);
}

function truncatedOutcome(brought: number): NonNullable<SearchsetParts["outcome"]> {
  const detail = `Only the first ${brought} of the other resources that this page points to are in it. Ask with a smaller _count for all of them.`;
  return { resourceType: "OperationOutcome", issue: [issueOf({ kind: "too-costly", detail }, "warning")] };
}
