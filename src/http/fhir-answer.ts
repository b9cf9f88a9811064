import type { FastifyReply, FastifyRequest } from "fastify";
import { type Refused, successOutcome } from "../fhir/outcome.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { preferenceOf } from "./fhir-request.ts";
import { originOf } from "./origin.ts";

/** A stored version as flows answer it. */
interface Stored {
  readonly type: string;
  readonly id: string;
  readonly version: number;
  readonly lastUpdatedMs: number;
  readonly body: string;
}

/** Media type of every FHIR answer. */
export const fhirJson = "application/fhir+json; charset=utf-8";

/** Base address of the FHIR door as this client sees it. */
export function fhirBase(doors: Doors, request: FastifyRequest): string {
  return `${originOf(doors, request)}/fhir`;
}

/** What flows answer: a value, or refusals. */
type Answer<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly refusals: readonly Refused[] };

/** The value of a result, or its refusals thrown to the error handler. */
export function answered<T>(result: Answer<T>): T {
  if (result.ok) return result.value;
  throw new RefusedRequest(result.refusals);
}

function versionHeaders(reply: FastifyReply, stored: Stored): FastifyReply {
  return reply
    .header("ETag", `W/"${stored.version}"`)
    .header("Last-Modified", new Date(stored.lastUpdatedMs).toUTCString());
}

/** Answers a read: the stored text as it is, or 304 when the client has this version (https://hl7.org/fhir/R4/http.html#cread). */
export function sendResource(request: FastifyRequest, reply: FastifyReply, stored: Stored): FastifyReply {
  versionHeaders(reply, stored);
  // Compared weakly, as RFC 9110, 13.1.2 has it: W/"1" and "1" are the same version.
  const known = (request.headers["if-none-match"] ?? "").split(",").map((tag) => tag.trim().replace(/^W\//, ""));
  if (known.includes(`"${stored.version}"`) || known.includes("*")) return reply.code(304).send();
  return reply.type(fhirJson).send(stored.body);
}

/** Answers a write as the client prefers, with where the new version stands. */
export function sendWritten(
  doors: Doors,
  request: FastifyRequest,
  reply: FastifyReply,
  written: { stored: Stored; created: boolean },
): FastifyReply {
  const { stored, created } = written;
  const location = `${fhirBase(doors, request)}/${stored.type}/${stored.id}/_history/${stored.version}`;
  versionHeaders(reply, stored)
    .code(created ? 201 : 200)
    .header("Location", location)
    .header("Content-Location", location);
  const prefer = preferenceOf(request).return;
  if (prefer === "minimal") return reply.send();
  if (prefer === "OperationOutcome") {
    return reply
      .type(fhirJson)
      .send(JSON.stringify(successOutcome(`${stored.type}/${stored.id} is at version ${stored.version}.`)));
  }
  return reply.type(fhirJson).send(stored.body);
}
