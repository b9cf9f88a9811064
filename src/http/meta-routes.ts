import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { metaReturnText } from "../fhir/meta.ts";
import { changeMeta, type MetaTarget, metaInUse, metaOf } from "../flows/meta.ts";
import { read, readOneVersion } from "../flows/read-resource.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { bodyText, ifMatchVersion, refuseOtherConditions } from "./fhir-request.ts";
import { refuseOtherMethods } from "./other-methods.ts";

interface Target {
  type: string;
  id: string;
}

/**
 * The operations on meta: `$meta` for the system, a type, a resource or one version of it, `$meta-add` and
 * `$meta-delete` for a resource (https://hl7.org/fhir/R4/resource-operations.html).
 */
export function metaRoutes(app: FastifyInstance, doors: Doors): void {
  const both = ["GET", "POST"];
  app.route({ method: both, url: "/$meta", handler: (request, reply) => sendMetaInUse(request, reply) });
  app.route<{ Params: { type: string } }>({
    method: both,
    url: "/:type/$meta",
    handler: (request, reply) => sendMetaInUse(request, reply, request.params.type),
  });
  app.route<{ Params: Target }>({
    method: both,
    url: "/:type/:id/$meta",
    handler: async (request, reply) => {
      const stored = answered(await read(request.service, request.tenantId, request.params.type, request.params.id));
      return sendMeta(reply, stored);
    },
  });
  app.route<{ Params: Target & { version: string } }>({
    method: both,
    url: "/:type/:id/_history/:version/$meta",
    handler: async (request, reply) => {
      const { type, id, version } = request.params;
      const target = { type, id, version: /^\d{1,9}$/.test(version) ? Number(version) : 0 };
      return sendMeta(reply, answered(await readOneVersion(request.service, request.tenantId, target)));
    },
  });
  app.post<{ Params: Target }>("/:type/:id/$meta-add", (request, reply) => change(doors, request, reply, "add"));
  app.post<{ Params: Target }>("/:type/:id/$meta-delete", (request, reply) => change(doors, request, reply, "delete"));
  refuseOtherMethods(app, {
    "/$meta": ["GET", "POST"],
    "/:type/$meta": ["GET", "POST"],
    "/:type/:id/$meta": ["GET", "POST"],
    "/:type/:id/_history/:version/$meta": ["GET", "POST"],
    "/:type/:id/$meta-add": ["POST"],
    "/:type/:id/$meta-delete": ["POST"],
  });
}

async function sendMetaInUse(request: FastifyRequest, reply: FastifyReply, type?: string): Promise<FastifyReply> {
  const meta = answered(await metaInUse(request.service, request.tenantId, type));
  return reply.type(fhirJson).send(metaReturnText(meta));
}

async function change(
  doors: Doors,
  request: FastifyRequest<{ Params: Target }>,
  reply: FastifyReply,
  change: MetaTarget["change"],
): Promise<FastifyReply> {
  refuseOtherConditions(request);
  const ifVersion = ifMatchVersion(request);
  const target = { ...request.params, change, ...(ifVersion === undefined ? {} : { ifVersion }) };
  const text = bodyText(request, doors.maxBodyBytes);
  return sendMeta(reply, answered(await changeMeta(request.service, request.tenantId, target, text)));
}

function sendMeta(reply: FastifyReply, stored: { version: number; body: string }): FastifyReply {
  // The version that carries this meta, so that a next change can be made conditional on it.
  return reply
    .header("ETag", `W/"${stored.version}"`)
    .type(fhirJson)
    .send(metaReturnText(metaOf(stored)));
}
