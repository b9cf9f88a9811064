import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readJson } from "../fhir/json.ts";
import { unknownType } from "../fhir/resource-check.ts";
import { selfDescription } from "../fhir/self-description.ts";
import { bundleType, entriesOf } from "../fhir/transaction.ts";
import { transact } from "../flows/transact.ts";
import { requireScopes, requireToken } from "./access.ts";
import { auditRoutes } from "./audit-routes.ts";
import { batch } from "./batch.ts";
import { refuseWriting } from "./break-glass.ts";
import { conditionalRoutes } from "./conditional-routes.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { everythingRoutes } from "./everything-route.ts";
import { answerAsAsked, answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { bodyText, keepBodiesAsBytes, preferenceOf, queryValue } from "./fhir-request.ts";
import { historyRoutes } from "./history-routes.ts";
import { instanceRoutes } from "./instance-routes.ts";
import { lastnRoutes } from "./lastn-route.ts";
import { matchRoutes } from "./match-route.ts";
import { measureRoutes } from "./measure-routes.ts";
import { metaRoutes } from "./meta-routes.ts";
import { entryNeeds } from "./needs.ts";
import { refuseOtherMethods } from "./other-methods.ts";
import { searchRoutes } from "./search-route.ts";
import { subscriptionRoutes } from "./subscription-routes.ts";
import { terminologyRoutes } from "./terminology-routes.ts";
import { smartConfiguration } from "./token-routes.ts";
import { validateRoutes } from "./validate-route.ts";

/** The FHIR R4 door under /fhir (https://hl7.org/fhir/R4/http.html). */
export async function fhirRoutes(app: FastifyInstance, doors: Doors): Promise<void> {
  keepBodiesAsBytes(app);
  answerAsAsked(app);
  app.get("/metadata", async (request, reply) => sendCapabilities(doors, request, reply));
  app.get("/.well-known/smart-configuration", async (request) => smartConfiguration(doors, request));
  refuseOtherMethods(app, { "/metadata": ["GET"], "/.well-known/smart-configuration": ["GET"] });
  await app.register(async (guarded) => {
    requireToken(guarded, doors);
    guarded.addHook("onRequest", async (request) => requireKnown(doors, request));
    guarded.post("/", (request, reply) => sendBundle(doors, request, reply));
    for (const routes of [instanceRoutes, conditionalRoutes, searchRoutes, historyRoutes]) routes(guarded, doors);
    for (const routes of [validateRoutes, metaRoutes, everythingRoutes, matchRoutes, lastnRoutes])
      routes(guarded, doors);
    for (const routes of [terminologyRoutes, measureRoutes, auditRoutes, subscriptionRoutes]) routes(guarded, doors);
    refuseOtherMethods(guarded, {
      "/": ["GET", "POST"],
      "/_search": ["POST"],
      "/_history": ["GET"],
      "/:type": ["GET", "POST", "PUT", "PATCH", "DELETE"],
      "/:type/_search": ["POST"],
      "/:type/_history": ["GET"],
      "/:type/:id": ["GET", "PUT", "PATCH", "DELETE"],
      "/:type/:id/_history": ["GET"],
      "/:type/:id/_history/:version": ["GET"],
      "/:type/:id/:member": ["GET"],
      "/:type/:id/:member/_search": ["POST"],
      "/AuditEvent": ["GET"],
      "/AuditEvent/_search": ["POST"],
      "/AuditEvent/:id": ["GET"],
    });
  });
}

function sendCapabilities(doors: Doors, request: FastifyRequest, reply: FastifyReply): FastifyReply {
  const { definitions, referencePolicy } = doors.service;
  const { softwareVersion, startedIso } = doors;
  const facts = { baseUrl: fhirBase(doors, request), softwareVersion, date: startedIso, referencePolicy };
  const statement = answered(selfDescription(definitions, facts, queryValue(request, "mode")));
  return reply.type(fhirJson).send(JSON.stringify(statement));
}

/** Refuses types that are switched off and operations that nobody here answers, before anything else is looked at. */
function requireKnown(doors: Doors, request: FastifyRequest): void {
  const { id, member, ...named } = request.params as { type?: string; id?: string; member?: string };
  // Operations of one type name it in their address.
  const type = named.type ?? /^\/fhir\/([A-Z]\w+)\//.exec(request.routeOptions.url ?? "")?.[1];
  const operation = [type, id, member].find((part) => part?.startsWith("$"));
  if (operation !== undefined) {
    const detail = `There is no operation ${operation.slice(0, 64)} at this address. /metadata lists those that are.`;
    throw new RefusedRequest([{ kind: "not-supported", detail, status: 404 }]);
  }
  if (type !== undefined && type !== "AuditEvent" && !doors.service.definitions.has(type))
    throw new RefusedRequest([unknownType(type)]);
}

/** A Bundle sent to the base address is a transaction, or a batch of requests (https://hl7.org/fhir/R4/http.html#transaction). */
async function sendBundle(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const bundle = answered(readJson(bodyText(request, doors.maxBodyBytes)));
  const isBatch = answered(bundleType(bundle.value)) === "batch";
  if (!isBatch) requireEntries(doors, request, bundle.value);
  const text = isBatch ? await batch(doors, request, bundle) : await transaction(doors, request, bundle);
  return reply.type(fhirJson).send(text);
}

/** A transaction may do what each of its entries may; a batch asks again for each. */
function requireEntries(doors: Doors, request: FastifyRequest, value: unknown): void {
  for (const [i, entry] of answered(entriesOf(value, doors.service.limits.maxBundleEntries)).entries()) {
    const { method, url, ifNoneExist } = entry?.request ?? {};
    // What is no request is refused as such, later.
    if (typeof method !== "string" || typeof url !== "string") continue;
    if (request.grant.breakGlass !== undefined && method !== "GET" && method !== "HEAD") {
      refuseWriting(`Bundle.entry[${i}].request`);
    }
    requireScopes(request, entryNeeds(method, url, ifNoneExist !== undefined), `Bundle.entry[${i}].request`);
  }
}

async function transaction(
  doors: Doors,
  request: FastifyRequest,
  bundle: { readonly value: unknown; readonly exact: unknown },
): Promise<string> {
  const { handling, return: prefer } = preferenceOf(request);
  const { tenantId } = request;
  const answer = await transact(request.service, tenantId, bundle, {
    baseUrl: fhirBase(doors, request),
    // A response names every version it made; the resources come with it where they are asked for.
    prefer: prefer ?? "minimal",
    handling,
    cursorAt: (path, types, sort, place) => doors.cursors.write(["fhir", tenantId, path, types, sort], place),
  });
  return answered(answer);
}
