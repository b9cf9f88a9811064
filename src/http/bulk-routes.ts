import { createGunzip } from "node:zlib";
import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { type ExportLevel, readExport } from "../fhir/bulk-export.ts";
import { successOutcome } from "../fhir/outcome.ts";
import { unknownType } from "../fhir/resource-check.ts";
import { mayExport } from "../flows/bulk-files.ts";
import { beginExport, refuseLimited, settleExport } from "../flows/bulk-jobs.ts";
import { receiveImport } from "../flows/receive-import.ts";
import { requireToken } from "./access.ts";
import { refuseWriting } from "./break-glass.ts";
import { jobAddress, sendFile, sendRemoved, sendStatus } from "./bulk-answers.ts";
import { bulkPreference, refuseForNow, requireAsync } from "./bulk-request.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { contentTypeOf, keepBodiesAsBytes, requireJson } from "./fhir-request.ts";
import { operationInput } from "./operation-input.ts";
import { originOf } from "./origin.ts";
import { refuseOtherMethods } from "./other-methods.ts";

/** NDJSON by its names. */
const ndjsonTypes = ["application/fhir+ndjson", "application/ndjson", "application/x-ndjson"];

/**
 * Bulk Data Access 2.0.0 (https://hl7.org/fhir/uv/bulkdata/STU2/export.html) and its way back, `$import`. A door of its own
 * beside the FHIR door: what it answers and takes is not one FHIR resource.
 */
export async function bulkRoutes(app: FastifyInstance, doors: Doors): Promise<void> {
  keepBodiesAsBytes(app);
  requireToken(app, doors);
  kickOffRoute(app, doors, "/$export", "system");
  kickOffRoute(app, doors, "/Patient/$export", "patient");
  kickOffRoute(app, doors, "/Group/:id/$export", "group");
  jobRoutes(app, doors, "export");
  jobRoutes(app, doors, "import");
  await app.register(async (lines) => {
    lines.removeAllContentTypeParsers();
    lines.addContentTypeParser("*", (_request, payload, done) => done(null, payload));
    lines.post("/$import", (request, reply) => takeImport(doors, request, reply));
  });
  refuseOtherMethods(app, { "/$import": ["POST"] });
}

function kickOffRoute(app: FastifyInstance, doors: Doors, url: string, level: ExportLevel): void {
  app.route<{ Params: { id?: string } }>({
    method: ["GET", "POST"],
    url,
    exposeHeadRoute: false,
    handler: (request, reply) => kickOff(doors, request, reply, level),
  });
  refuseOtherMethods(app, { [url]: ["GET", "POST"] });
}

function jobRoutes(app: FastifyInstance, doors: Doors, kind: "export" | "import"): void {
  type Job = { Params: { jobId: string } };
  type File = { Params: { jobId: string; file: string } };
  app.get<Job>(`/$${kind}/:jobId`, { exposeHeadRoute: false }, (request, reply) =>
    sendStatus(doors, request, reply, kind),
  );
  app.delete<Job>(`/$${kind}/:jobId`, (request, reply) => sendRemoved(request, reply, kind));
  app.get<File>(`/$${kind}/:jobId/:file`, { exposeHeadRoute: false }, (request, reply) =>
    sendFile(request, reply, kind),
  );
  // Said apart: made from the GET it would read the whole file for its length.
  app.head<File>(`/$${kind}/:jobId/:file`, (request, reply) => sendFile(request, reply, kind));
  refuseOtherMethods(app, { [`/$${kind}/:jobId`]: ["GET", "DELETE"], [`/$${kind}/:jobId/:file`]: ["GET"] });
}

function refuse(kind: "forbidden" | "not-supported" | "structure", detail: string, status: number): never {
  throw new RefusedRequest([{ kind, detail, status }]);
}

async function kickOff(
  doors: Doors,
  request: FastifyRequest<{ Params: { id?: string } }>,
  reply: FastifyReply,
  level: ExportLevel,
): Promise<FastifyReply> {
  const { grant, tenantId, service } = request;
  requireJson(request);
  requireAsync(request);
  // The glass is broken for one request, and the files would outlive it.
  if (grant.breakGlass !== undefined) refuseWriting();
  const limited = refuseLimited(grant);
  if (limited !== undefined) throw new RefusedRequest([limited]);
  const { id } = request.params;
  if (level === "group" && !service.definitions.has("Group")) throw new RefusedRequest([unknownType("Group")]);
  if (level === "group" && !mayExport(grant, "Group"))
    refuse("forbidden", "The token has no scope that allows this: it takes system/Group.rs.", 403);
  const { handling } = bulkPreference(request);
  const reading = {
    level,
    handling,
    may: (type: string) => mayExport(grant, type),
    ...(id === undefined ? {} : { groupId: id }),
  };
  const read = answered(readExport(service.definitions, operationInput(request, doors.maxBodyBytes), reading));
  if (read.types.length === 0 && read.ignored.length === 0)
    refuse("forbidden", "The token has no scope that allows this: it takes system/<type>.rs of what is exported.", 403);
  const asked = answered(await settleExport(service, tenantId, read, handling));
  request.alsoNamed = asked.types.map((type) => `type ${type}`);
  const requestUrl = `${originOf(doors, request)}${request.url}`;
  const begun = await beginExport(service, tenantId, asked, { grant, requestUrl });
  return typeof begun === "string" ? sendBegun(doors, request, reply, "export", begun) : refuseForNow(reply, begun);
}

function sendBegun(doors: Doors, request: FastifyRequest, reply: FastifyReply, kind: "export" | "import", id: string) {
  const address = jobAddress(doors, request, kind, id);
  return reply
    .code(202)
    .header("Content-Location", address)
    .type(fhirJson)
    .send(JSON.stringify(successOutcome(`The ${kind} has begun. Ask after it at ${address}.`)));
}

async function takeImport(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const { grant, tenantId, service } = request;
  if (!ndjsonTypes.includes(contentTypeOf(request)))
    refuse("not-supported", `An import is sent as ${ndjsonTypes[0]}, one resource a line.`, 415);
  if (grant.breakGlass !== undefined) refuseWriting();
  if (!grant.scopes.some(({ context, may }) => context === "system" && may.includes("c")))
    refuse("forbidden", "The token has no scope that allows this: it takes system/<type>.cu of what is imported.", 403);
  const requestUrl = `${originOf(doors, request)}${request.url}`;
  const flows = { service, quiet: doors.service };
  const begun = answered(await receiveImport(flows, tenantId, plainLines(request), { grant, requestUrl }));
  return typeof begun === "string" ? sendBegun(doors, request, reply, "import", begun) : refuseForNow(reply, begun);
}

/** The body as it arrives, unpacked. */
async function* plainLines(request: FastifyRequest): AsyncGenerator<Buffer> {
  const body = request.body as NodeJS.ReadableStream | undefined;
  if (body === undefined) return;
  const encoding = (request.headers["content-encoding"] ?? "identity").toLowerCase();
  if (encoding === "identity") {
    yield* body as AsyncIterable<Buffer>;
    return;
  }
  if (encoding !== "gzip") refuse("not-supported", "Send the body plain or as gzip.", 415);
  const unpacking = createGunzip();
  body.on("error", (error: Error) => unpacking.destroy(error));
  try {
    yield* body.pipe(unpacking) as AsyncIterable<Buffer>;
  } catch (error) {
    if (!String((error as { code?: string }).code).startsWith("Z_")) throw error;
    refuse("structure", "The body is not gzip, or was cut off.", 400);
  }
}
