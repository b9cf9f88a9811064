import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { patientCompartmentParameters } from "../fhir/compartment.ts";
import { unknownType } from "../fhir/resource-check.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import type { SearchQuery } from "../fhir/search/query.ts";
import { search, searchOptions } from "../flows/search-resources.ts";
import { searchset } from "../flows/searchset.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { preferenceOf, searchParameters } from "./fhir-request.ts";

/** What is searched: one type, all of them, or the compartment of one patient. */
interface SearchPlace {
  readonly type?: string;
  readonly patientId?: string;
}

interface InCompartment {
  Params: { type: string; id: string; member: string };
}

/** Search by GET and POST of a type, of everything and of a patient's compartment (https://hl7.org/fhir/R4/http.html#search). */
export function searchRoutes(app: FastifyInstance, doors: Doors): void {
  for (const [method, suffix] of [
    ["GET", ""],
    ["POST", "/_search"],
  ] as const) {
    app.route({
      method,
      url: suffix === "" ? "/" : suffix,
      handler: (request, reply) => searchRoute(doors, request, reply, {}),
    });
    app.route<{ Params: { type: string } }>({
      method,
      url: `/:type${suffix}`,
      handler: (request, reply) => searchRoute(doors, request, reply, request.params),
    });
    app.route<InCompartment>({
      method,
      url: `/:type/:id/:member${suffix}`,
      handler: (request, reply) => searchRoute(doors, request, reply, compartmentOf(doors, request)),
    });
  }
}

function compartmentOf(doors: Doors, request: FastifyRequest<InCompartment>): SearchPlace {
  const { type, id, member } = request.params;
  if (type !== "Patient") {
    const detail = "Only the compartment of a Patient can be searched here: Patient/id/Type.";
    throw new RefusedRequest([{ kind: "not-supported", detail, status: 404 }]);
  }
  if (member === "*") return { patientId: id };
  if (!doors.service.definitions.has(member)) throw new RefusedRequest([unknownType(member)]);
  if (member !== "Patient" && patientCompartmentParameters(member).length === 0) {
    const detail = `${member} is in no patient's compartment. Search ${member} by itself.`;
    throw new RefusedRequest([{ kind: "not-supported", detail, status: 404 }]);
  }
  return { type: member, patientId: id };
}

/** Answers a search with a page of results and the link to the next (https://hl7.org/fhir/R4/http.html#search). */
async function searchRoute(
  doors: Doors,
  request: FastifyRequest,
  reply: FastifyReply,
  place: SearchPlace,
): Promise<FastifyReply> {
  const { service } = doors;
  const asked = searchParameters(request, doors.maxBodyBytes);
  const { types, params } = typesOf(doors, place, asked);
  const parsed = parseSearch(service.definitions, types, params, {
    ...searchOptions(service, preferenceOf(request).handling),
    ...(place.patientId === undefined ? {} : { patientId: place.patientId }),
  });
  const read = answered(parsed);
  const path = pathOf(place);
  const list = ["fhir", request.tenantId, path, types, read.sort];
  const cursor = asked.find(([name]) => name === "_cursor")?.[1];
  const after = cursor === undefined ? undefined : (doors.cursors.read(list, cursor) as (string | null)[]);
  const used = [
    ...asked.filter(([name]) => name === "_type" && types.length > 0 && place.type === undefined),
    ...read.used,
  ];
  const query: SearchQuery = { ...read, used, ...(after === undefined ? {} : { after }) };
  const text = searchset(query, await search(request.service, request.tenantId, query), {
    base: fhirBase(doors, request),
    path,
    cursor,
    cursorAt: (sortValues) => doors.cursors.write(list, sortValues),
  });
  return reply.type(fhirJson).send(text);
}

function pathOf({ type, patientId }: SearchPlace): string {
  if (patientId !== undefined) return `Patient/${patientId}/${type ?? "*"}`;
  return type ?? "";
}

/** The types to search, and the parameters that are left when `_type` has named them. */
function typesOf(
  doors: Doors,
  place: SearchPlace,
  asked: readonly (readonly [string, string])[],
): { types: readonly string[]; params: readonly (readonly [string, string])[] } {
  const { definitions } = doors.service;
  if (place.type !== undefined) return { types: [place.type], params: asked };
  const all = definitions.types.filter(
    (type) => place.patientId === undefined || type === "Patient" || patientCompartmentParameters(type).length > 0,
  );
  const named = asked.filter(([name]) => name === "_type").flatMap(([, value]) => value.split(","));
  const unknown = named.find((type) => !definitions.has(type));
  if (unknown !== undefined) throw new RefusedRequest([{ ...unknownType(unknown), at: "_type", status: 400 }]);
  const types = named.length === 0 ? all : all.filter((type) => named.includes(type));
  return { types, params: asked.filter(([name]) => name !== "_type") };
}
