import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readLastn } from "../fhir/lastn.ts";
import { primitiveParameters } from "../fhir/parameters.ts";
import { lastn } from "../flows/lastn.ts";
import { searchOptions } from "../flows/search-resources.ts";
import { searchset } from "../flows/searchset.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { contentTypeOf, preferenceOf, searchParameters } from "./fhir-request.ts";
import { operationInput } from "./operation-input.ts";
import { refuseOtherMethods } from "./other-methods.ts";

const path = "Observation/$lastn";

/** `Observation/$lastn` by GET and POST (https://hl7.org/fhir/R4/observation-operation-lastn.html). */
export function lastnRoutes(app: FastifyInstance, doors: Doors): void {
  app.route({
    method: ["GET", "POST"],
    url: `/${path}`,
    handler: (request, reply) => sendLast(doors, request, reply),
  });
  refuseOtherMethods(app, { [`/${path}`]: ["GET", "POST"] });
}

async function sendLast(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const { service } = doors;
  const options = searchOptions(service, preferenceOf(request).handling);
  const query = answered(readLastn(service.definitions, parametersOf(doors, request), options));
  const answer = answered(await lastn(request.service, request.tenantId, query));
  const text = searchset(query.search, answer, { base: fhirBase(doors, request), path, cursorAt: noPages });
  return reply.type(fhirJson).send(text);
}

/** A POST brings its parameters as a form, as a search does, or as Parameters, as an operation does. */
function parametersOf(doors: Doors, request: FastifyRequest): (readonly [string, string])[] {
  const type = contentTypeOf(request);
  if (type === "" || type === "application/x-www-form-urlencoded") return searchParameters(request, doors.maxBodyBytes);
  const { query, body } = operationInput(request, doors.maxBodyBytes);
  return [...query, ...(body === undefined ? [] : answered(primitiveParameters(body.value)))];
}

function noPages(): never {
  throw new Error("the last observations come in one page");
}
