import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { type Refused, successOutcome } from "../fhir/outcome.ts";
import { prettyJson } from "../fhir/pretty.ts";
import { type SubsetWanted, subsetText } from "../fhir/subset.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { jsonAskedFor, preferenceOf, queryValue, requireJson } from "./fhir-request.ts";
import { splitUnquoted } from "./header-text.ts";
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

const isFhirJson = /^application\/fhir\+json\b/;

/**
 * Lets every answer of a FHIR door have the form that was asked for: JSON, or 406; under its generic name to who asked
 * for that by name (https://hl7.org/fhir/R4/http.html#mime-type); and with `_pretty=true` broken into lines.
 */
export function answerAsAsked(app: FastifyInstance): void {
  app.addHook("onRequest", async (request) => requireJson(request));
  app.addHook("onSend", async (request, reply, payload) => {
    if (typeof payload !== "string" || !isFhirJson.test(String(reply.getHeader("content-type")))) return payload;
    // Who asks for another format is refused, and told so as FHIR.
    reply.header("content-type", `${jsonAskedFor(request) ?? "application/fhir+json"}; charset=utf-8`);
    return queryValue(request, "_pretty") === "true" ? prettyJson(payload) : payload;
  });
}

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

/**
 * Answers a read or version read: the stored text as it is, the part of it that `_summary` or `_elements` asks for, or
 * 304 when the client has this version (https://hl7.org/fhir/R4/http.html#cread).
 */
export function sendResource(request: FastifyRequest, reply: FastifyReply, stored: Stored): FastifyReply {
  const wanted = subsetAsked(request);
  versionHeaders(reply, stored);
  if (isKnown(request, stored)) return reply.code(304).send();
  return reply.type(fhirJson).send(subsetText(stored.body, wanted));
}

function isKnown(request: FastifyRequest, stored: Stored): boolean {
  const tags = request.headers["if-none-match"];
  if (tags !== undefined) {
    // Compared weakly, as RFC 9110, 13.1.2 has it: W/"1" and "1" are the same version.
    const known = splitUnquoted(tags, ",").map((tag) => tag.replace(/^W\//, ""));
    return known.includes(`"${stored.version}"`) || known.includes("*");
  }
  // Counts only without If-None-Match, and only where it can be read (RFC 9110, 13.1.3). HTTP knows whole seconds.
  const since = Date.parse(request.headers["if-modified-since"] ?? "");
  return Math.floor(stored.lastUpdatedMs / 1_000) * 1_000 <= since;
}

const summaries = ["true", "text", "data", "false"] as const;

/** The part of one resource that is asked for (https://hl7.org/fhir/R4/search.html#summary). */
function subsetAsked(request: FastifyRequest): SubsetWanted {
  const [summary, elements] = [queryValue(request, "_summary"), queryValue(request, "_elements")];
  const known = summaries.find((one) => one === summary);
  if (summary !== undefined && known === undefined) {
    const detail =
      summary === "count" ? "_summary=count counts what a search finds." : "_summary is true, text, data or false.";
    throw new RefusedRequest([{ kind: "value", detail, at: "_summary", status: 400 }]);
  }
  if (elements === undefined) return { summary: known };
  if (!/^\w+(\.\w+)*(,\w+(\.\w+)*)*$/.test(elements)) {
    const detail = "_elements lists elements with commas between: identifier,active.";
    throw new RefusedRequest([{ kind: "value", detail, at: "_elements", status: 400 }]);
  }
  if (known !== undefined && known !== "false") {
    const detail = "_summary and _elements ask for two different parts. Leave one out.";
    throw new RefusedRequest([{ kind: "value", detail, at: "_elements", status: 400 }]);
  }
  return { elements: elements.split(",") };
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
