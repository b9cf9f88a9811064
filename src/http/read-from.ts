import type { FastifyInstance, FastifyRequest } from "fastify";
import { type ReplicatedService, readingFrom } from "../flows/read-replica.ts";
import type { Service } from "../flows/service.ts";
import type { Doors } from "./doors.ts";

declare module "fastify" {
  interface FastifyRequest {
    /** Reads of the request that a replica may answer; absent where the primary answers all. */
    replicated?: ReplicatedService;
  }
}

/**
 * Routes whose answers nothing is decided on in here. Left out are those of people who look whether what they just did has
 * worked or who are about to change it (uploads, messages, thresholds, clients, $meta, $validate, $match), and the trail, which
 * is sealed before it is read.
 */
const mayBeOld = new Set([
  ...["", "/:type", "/:type/:id", "/:type/:id/:member"].map((path) => `GET /fhir${path}`),
  ...["", "/:type", "/:type/:id/:member"].map((path) => `POST /fhir${path}/_search`),
  ...["", "/:type", "/:type/:id"].map((path) => `GET /fhir${path}/_history`),
  "GET /fhir/:type/:id/_history/:version",
  ...["GET", "POST"].flatMap((method) => [
    `${method} /fhir/Patient/:id/$everything`,
    `${method} /fhir/Observation/$lastn`,
    `${method} /fhir/Measure/$evaluate-measure`,
    `${method} /fhir/Measure/:id/$evaluate-measure`,
  ]),
  ...[
    "caseload",
    "parts/forecast",
    "releases",
    "releases/:number",
    "releases/:number.csv",
    "releases/:number/page",
  ].map((path) => `GET /api/v1/${path}`),
  ...["days", "change-signal", "explain", "review", "parts"].map((path) => `GET /api/v1/patients/:patientId/${path}`),
  "GET /api/v1/tasks/:taskId/explain",
]);

/** Whether a route may be answered from a replica. */
export function mayReadReplica(method: string, route: string): boolean {
  return mayBeOld.has(`${method === "HEAD" ? "GET" : method} ${route.replace(/(?<=.)\/$/, "")}`);
}

/** Says on each answer that came from a replica that it did, and how old it may be. */
export function tellWhereRead(app: FastifyInstance): void {
  app.decorateRequest("replicated");
  app.addHook("onSend", async (request, reply) => {
    const { replicated } = request;
    if (replicated?.isUsed() !== true) return;
    reply.header("Tidegate-Read-From", `replica; lag=${(replicated.lagMs / 1_000).toFixed(1)}`);
  });
}

/**
 * The service as the request reads: from the replica where its route allows it and the client does not ask for what is newest
 * (`Cache-Control: no-cache`, RFC 9111, 5.2.1.4). What a write decides on is read from the primary, and so is who may come in.
 */
export function readFrom({ replica }: Doors, request: FastifyRequest, service: Service): Service {
  if (replica === undefined || !mayReadReplica(request.method, request.routeOptions.url ?? "")) return service;
  if (/\bno-cache\b/i.test(request.headers["cache-control"] ?? "")) return service;
  const replicated = readingFrom(replica, service);
  if (replicated === undefined) return service;
  request.replicated = replicated;
  return replicated.service;
}
