import type { FastifyInstance, FastifyRequest } from "fastify";
import { deleteResource } from "../flows/delete-resource.ts";
import { asWriter } from "../flows/grant.ts";
import { patchResource } from "../flows/patch-resource.ts";
import { read, readOneVersion } from "../flows/read-resource.ts";
import { createResource, updateResource, type WriteTarget } from "../flows/write-resource.ts";
import { requireScopes } from "./access.ts";
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
import { needsOf, unmet } from "./needs.ts";

interface Target {
  type: string;
  id: string;
}

/** Create, read, vread, update, patch and delete of one resource (https://hl7.org/fhir/R4/http.html). */
export function instanceRoutes(app: FastifyInstance, doors: Doors): void {
  const { maxBodyBytes } = doors;
  app.get<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const { type, id } = request.params;
    return sendResource(request, reply, answered(await read(request.service, request.tenantId, type, id)));
  });
  app.get<{ Params: Target & { version: string } }>("/:type/:id/_history/:version", async (request, reply) => {
    const { type, id, version } = request.params;
    const target = { type, id, version: /^\d{1,9}$/.test(version) ? Number(version) : 0 };
    return sendResource(request, reply, answered(await readOneVersion(request.service, request.tenantId, target)));
  });
  app.post<{ Params: { type: string } }>("/:type", async (request, reply) => {
    refuseOtherConditions(request, ["If-None-Exist"]);
    const text = bodyText(request, maxBodyBytes);
    const written = await createResource(
      request.service,
      request.tenantId,
      request.params.type,
      text,
      ifNoneExist(request),
    );
    return sendWritten(doors, request, reply, answered(written));
  });
  app.put<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const target = { ...request.params, ...conditionsOf(request) };
    await requireScopeToCreate(request, request.params);
    const written = await updateResource(request.service, request.tenantId, target, bodyText(request, maxBodyBytes));
    return sendWritten(doors, request, reply, answered(written));
  });
  app.patch<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const target = { ...request.params, ...conditionsOf(request) };
    const text = patchText(request, maxBodyBytes);
    const written = await patchResource(request.service, request.tenantId, target, contentTypeOf(request), text);
    return sendWritten(doors, request, reply, answered(written));
  });
  app.delete<{ Params: Target }>("/:type/:id", async (request, reply) => {
    const target = { ...request.params, ...conditionsOf(request) };
    const { version } = answered(await deleteResource(request.service, request.tenantId, target));
    if (version !== undefined) reply.header("ETag", `W/"${version}"`);
    return reply.code(204).send();
  });
}

/** An update of what is not there creates it, which takes another scope than to update. */
async function requireScopeToCreate(request: FastifyRequest, { type, id }: Target): Promise<void> {
  const needs = needsOf(["system/:type.c"], { type });
  if (unmet(request.grant.scopes, needs) === undefined) return;
  // What the client may update is there, also where its scopes let it not read it; what is withheld from it is not.
  const known = await read(asWriter(request.service), request.tenantId, type, id);
  if (!known.ok) requireScopes(request, needs);
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
