import type { FastifyInstance, FastifyRequest } from "fastify";
import { deleteResource } from "../flows/delete-resource.ts";
import { patchResource } from "../flows/patch-resource.ts";
import { read, readOneVersion } from "../flows/read-resource.ts";
import { createResource, updateResource, type WriteTarget } from "../flows/write-resource.ts";
import type { Doors } from "./doors.ts";
import { answered, sendResource, sendWritten } from "./fhir-answer.ts";
import {
  bodyText,
  contentTypeOf,
  ifMatchVersion,
  ifNoneExist,
  ifNoneMatchAny,
  patchText,
  refuseOtherConditions,
} from "./fhir-request.ts";

interface Target {
  type: string;
  id: string;
}

/** Create, read, vread, update, patch and delete of one resource (https://hl7.org/fhir/R4/http.html). */
export function instanceRoutes(app: FastifyInstance, doors: Doors): void {
  const { service, maxBodyBytes } = doors;
  app.get<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const { type, id } = request.params;
    return sendResource(request, reply, answered(await read(service, request.tenantId, type, id)));
  });
  app.get<{ Params: Target & { version: string } }>("/:type/:id/_history/:version", async (request, reply) => {
    const { type, id, version } = request.params;
    const target = { type, id, version: /^\d{1,9}$/.test(version) ? Number(version) : 0 };
    return sendResource(request, reply, answered(await readOneVersion(service, request.tenantId, target)));
  });
  app.post<{ Params: { type: string } }>("/:type", async (request, reply) => {
    refuseOtherConditions(request, ["If-None-Exist"]);
    const text = bodyText(request, maxBodyBytes);
    const written = await createResource(service, request.tenantId, request.params.type, text, ifNoneExist(request));
    return sendWritten(doors, request, reply, answered(written));
  });
  app.put<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const target = { ...request.params, ...conditionsOf(request) };
    const written = await updateResource(service, request.tenantId, target, bodyText(request, maxBodyBytes));
    return sendWritten(doors, request, reply, answered(written));
  });
  app.patch<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const target = { ...request.params, ...conditionsOf(request) };
    const text = patchText(request, maxBodyBytes);
    const written = await patchResource(service, request.tenantId, target, contentTypeOf(request), text);
    return sendWritten(doors, request, reply, answered(written));
  });
  app.delete<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const target = { ...request.params, ...conditionsOf(request) };
    const { version } = answered(await deleteResource(service, request.tenantId, target));
    if (version !== undefined) reply.header("ETag", `W/"${version}"`);
    return reply.code(204).send();
  });
}

/** The conditions that a write stands under, each refused where nobody would check it. */
export function conditionsOf(request: FastifyRequest): Pick<WriteTarget, "ifVersion" | "ifAbsent"> {
  refuseOtherConditions(request, request.method === "PUT" ? ["If-None-Match"] : []);
  const ifVersion = ifMatchVersion(request);
  return {
    ...(ifVersion === undefined ? {} : { ifVersion }),
    ...(request.method === "PUT" && ifNoneMatchAny(request) ? { ifAbsent: true } : {}),
  };
}
