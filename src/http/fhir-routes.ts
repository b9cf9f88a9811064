import type { FastifyInstance, FastifyRequest } from "fastify";
import { capabilityStatement } from "../fhir/capability.ts";
import { unknownType } from "../fhir/resource-check.ts";
import { read, readOneVersion } from "../flows/read-resource.ts";
import { transact } from "../flows/transact.ts";
import { createResource, deleteResource, updateResource } from "../flows/write-resource.ts";
import { requireToken } from "./access.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered, fhirBase, fhirJson, sendResource, sendWritten } from "./fhir-answer.ts";
import { bodyText, ifMatchVersion, keepBodiesAsBytes, refuseOtherConditions, requireJson } from "./fhir-request.ts";
import { refuseOtherMethods } from "./other-methods.ts";
import { searchRoute } from "./search-route.ts";

interface Target {
  type: string;
  id: string;
}

/** The FHIR R4 door under /fhir (https://hl7.org/fhir/R4/http.html). */
export async function fhirRoutes(app: FastifyInstance, doors: Doors): Promise<void> {
  keepBodiesAsBytes(app);
  app.addHook("onRequest", async (request) => requireJson(request));
  app.get("/metadata", async (request, reply) => {
    const facts = { baseUrl: fhirBase(doors, request), softwareVersion: doors.softwareVersion, date: doors.startedIso };
    return reply.type(fhirJson).send(JSON.stringify(capabilityStatement(doors.service.definitions, facts)));
  });
  refuseOtherMethods(app, { "/metadata": ["GET"] });
  await app.register(async (guarded) => {
    requireToken(guarded, doors.tokens);
    guarded.addHook("preHandler", async (request) => requireKnownType(doors, request));
    bundleRoute(guarded, doors);
    instanceRoutes(guarded, doors);
    typeRoutes(guarded, doors);
    refuseOtherMethods(guarded, {
      "/": ["POST"],
      "/:type": ["GET", "POST"],
      "/:type/_search": ["POST"],
      "/:type/:id": ["GET", "PUT", "DELETE"],
      "/:type/:id/_history/:version": ["GET"],
    });
  });
}

function requireKnownType(doors: Doors, request: FastifyRequest): void {
  const { type } = request.params as { type?: string };
  if (type !== undefined && !doors.service.definitions.has(type)) throw new RefusedRequest([unknownType(type)]);
}

function bundleRoute(app: FastifyInstance, doors: Doors): void {
  app.post("/", async (request, reply) => {
    const text = bodyText(request, doors.maxBodyBytes);
    const answer = await transact(doors.service, request.tenantId, text, fhirBase(doors, request));
    return reply.type(fhirJson).send(answered(answer));
  });
}

function instanceRoutes(app: FastifyInstance, doors: Doors): void {
  const { service } = doors;
  app.get<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const { type, id } = request.params;
    return sendResource(request, reply, answered(await read(service, request.tenantId, type, id)));
  });
  app.get<{ Params: Target & { version: string } }>("/:type/:id/_history/:version", async (request, reply) => {
    const { type, id, version } = request.params;
    const target = { type, id, version: /^\d{1,9}$/.test(version) ? Number(version) : 0 };
    return sendResource(request, reply, answered(await readOneVersion(service, request.tenantId, target)));
  });
  app.put<{ Params: Target }>("/:type/:id", async (request, reply) => {
    refuseOtherConditions(request);
    const ifVersion = ifMatchVersion(request);
    const target = { ...request.params, ...(ifVersion === undefined ? {} : { ifVersion }) };
    const written = await updateResource(service, request.tenantId, target, bodyText(request, doors.maxBodyBytes));
    return sendWritten(doors, request, reply, answered(written));
  });
  app.delete<{ Params: Target }>("/:type/:id", async (request, reply) => {
    refuseOtherConditions(request);
    const ifVersion = ifMatchVersion(request);
    const target = { ...request.params, ...(ifVersion === undefined ? {} : { ifVersion }) };
    const { version } = answered(await deleteResource(service, request.tenantId, target));
    if (version !== undefined) reply.header("ETag", `W/"${version}"`);
    return reply.code(204).send();
  });
}

function typeRoutes(app: FastifyInstance, doors: Doors): void {
  app.post<{ Params: { type: string } }>("/:type", async (request, reply) => {
    refuseOtherConditions(request);
    const text = bodyText(request, doors.maxBodyBytes);
    const written = await createResource(doors.service, request.tenantId, request.params.type, text);
    return sendWritten(doors, request, reply, answered(written));
  });
  app.get<{ Params: { type: string } }>("/:type", (request, reply) => searchRoute(doors, request, reply));
  app.post<{ Params: { type: string } }>("/:type/_search", (request, reply) => searchRoute(doors, request, reply));
}
