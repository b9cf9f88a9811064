import type { FastifyInstance, FastifyRequest } from "fastify";
import type { Refused } from "../fhir/outcome.ts";
import { inflate } from "../intake/inflate.ts";
import { RefusedRequest } from "./errors.ts";
import { pairOf, splitUnquoted } from "./header-text.ts";
import { isOurs, jsonAnswerTo, jsonTypes, mediaTypeOf } from "./media-type.ts";

const formType = "application/x-www-form-urlencoded";
const patchType = "application/json-patch+json";

/** Keeps bodies of FHIR requests as bytes, so that the flow sees numbers as they were written. */
export function keepBodiesAsBytes(app: FastifyInstance): void {
  app.removeAllContentTypeParsers();
  app.addContentTypeParser([...jsonTypes, patchType, formType], { parseAs: "buffer" }, (_request, body, done) =>
    done(null, body),
  );
}

function refuse(refusal: Refused): never {
  throw new RefusedRequest([refusal]);
}

/** The media type of the body in lower case, without its parameters; empty where none is named. */
export function contentTypeOf(request: FastifyRequest): string {
  return mediaTypeOf(request.headers["content-type"] ?? "").type;
}

/** The text of a FHIR resource, unpacked when it came as gzip. */
export function bodyText(request: FastifyRequest, maxBytes: number): string {
  const type = contentTypeOf(request);
  if (type === formType || type === patchType) {
    const place = type === formType ? "A form is taken by _search" : "A JSON Patch is taken by PATCH";
    const detail = `${place} alone. Send the resource as application/fhir+json.`;
    refuse({ kind: "not-supported", detail, status: 415 });
  }
  return someText(request, maxBytes, "Send one FHIR resource as JSON.");
}

/** The text of a patch: a JSON Patch, or a Parameters resource, as the media type says (https://hl7.org/fhir/R4/http.html#patch). */
export function patchText(request: FastifyRequest, maxBytes: number): string {
  if (contentTypeOf(request) === formType) {
    const detail = `A patch is sent as ${patchType}, or as Parameters in application/fhir+json.`;
    refuse({ kind: "not-supported", detail, status: 415 });
  }
  return someText(request, maxBytes, "Send a JSON Patch, or a Parameters resource.");
}

function someText(request: FastifyRequest, maxBytes: number, whatToSend: string): string {
  if (!isOurs(mediaTypeOf(request.headers["content-type"] ?? ""))) {
    const detail = "Only FHIR 4.0 in UTF-8 is taken: leave fhirVersion and charset out, or send fhirVersion=4.0.";
    refuse({ kind: "not-supported", detail, status: 415 });
  }
  const text = plainText(request, maxBytes);
  if (text === "") refuse({ kind: "structure", detail: `The body is empty. ${whatToSend}`, status: 400 });
  return text;
}

/** The body as text, empty when there is none. */
function plainText(request: FastifyRequest, maxBytes: number): string {
  const { body } = request;
  if (!Buffer.isBuffer(body)) return "";
  const encoding = (request.headers["content-encoding"] ?? "identity").toLowerCase();
  if (encoding !== "identity" && encoding !== "gzip") {
    refuse({ kind: "not-supported", detail: "Send the body plain or as gzip.", status: 415 });
  }
  const plain = encoding === "gzip" ? inflate(body, maxBytes) : ({ ok: true, value: body } as const);
  if (!plain.ok) throw new RefusedRequest(plain.refusals);
  try {
    return new TextDecoder("utf-8", { fatal: true }).decode(plain.value);
  } catch {
    return refuse({ kind: "structure", detail: "The body is not UTF-8.", status: 400 });
  }
}

/** Parameters of the address in their order, each as often as it stands there. */
export function addressParameters(request: FastifyRequest): [name: string, value: string][] {
  const query = request.url.indexOf("?");
  return query < 0 ? [] : [...new URLSearchParams(request.url.slice(query + 1))];
}

/** One value of a parameter in the address; the first where there are several. */
export function queryValue(request: FastifyRequest, name: string): string | undefined {
  const value = (request.query as Record<string, unknown>)[name];
  const first: unknown = Array.isArray(value) ? value[0] : value;
  return typeof first === "string" ? first : undefined;
}

/**
 * The JSON type to answer with, as `_format` asks, or else the Accept header; undefined where another format is wanted
 * (https://hl7.org/fhir/R4/http.html#mime-type).
 */
export function jsonAskedFor(request: FastifyRequest): (typeof jsonTypes)[number] | undefined {
  // A plus sign of an address that was not escaped arrives as a space.
  const format = queryValue(request, "_format")?.replace(/^(\w+\/\w+) (?=\w)/, "$1+");
  return jsonAnswerTo(format || request.headers.accept || "*/*");
}

/** Refuses a request for another format than JSON. */
export function requireJson(request: FastifyRequest): void {
  if (jsonAskedFor(request) !== undefined) return;
  const detail = `Only JSON of FHIR 4.0 is answered here, no XML, no Turtle and no other version. Ask for ${jsonTypes.join(", ")}.`;
  refuse({ kind: "not-supported", detail, status: 406 });
}

/**
 * The versions that If-Match names, `any` for `*`, undefined without one (https://hl7.org/fhir/R4/http.html#concurrency).
 * Weak and strong tags are the same here. A tag that no version of ours has is left out, so the list may be empty: then
 * no version matches.
 */
export function ifMatchVersions(request: FastifyRequest): readonly number[] | "any" | undefined {
  const header = request.headers["if-match"];
  if (header === undefined) return undefined;
  if (header.trim() === "*") return "any";
  const tags = splitUnquoted(header, ",");
  if (tags.length === 0 || tags.some((tag) => !/^(W\/)?"[^"]*"$/.test(tag))) {
    refuse({
      kind: "value",
      detail: 'If-Match is an ETag such as W/"3", several with commas between, or *.',
      status: 400,
    });
  }
  return tags.flatMap((tag) => {
    const version = /"([1-9]\d{0,8})"$/.exec(tag)?.[1];
    return version === undefined ? [] : [Number(version)];
  });
}

/** The one version that If-Match names; 0, which no resource has, for a tag that is none of ours. Refuses several and `*`. */
export function ifMatchVersion(request: FastifyRequest): number | undefined {
  const versions = ifMatchVersions(request);
  if (versions === undefined) return undefined;
  if (versions === "any" || versions.length > 1) {
    refuse({ kind: "value", detail: "Name one version in If-Match.", status: 400 });
  }
  return versions[0] ?? 0;
}

/** The search of a conditional create, without `?` before it (https://hl7.org/fhir/R4/http.html#ccreate); undefined without one. */
export function ifNoneExist(request: FastifyRequest): string | undefined {
  const header = request.headers["if-none-exist"];
  if (header === undefined) return undefined;
  const query = String(header)
    .trim()
    .replace(/^[^=]*\?/, "");
  if (query === "") {
    const detail = "If-None-Exist is empty. Write a search: identifier=http://example.org/numbers|17.";
    refuse({ kind: "value", detail, status: 400 });
  }
  return query;
}

/** Whether an update may only create: `If-None-Match: *` (RFC 9110, 13.1.2). Tags are refused: nobody here would check them. */
export function ifNoneMatchAny(request: FastifyRequest): boolean {
  const header = request.headers["if-none-match"];
  if (header === undefined) return false;
  if (header.trim() === "*") return true;
  return refuse({ kind: "value", detail: "On a write If-None-Match is taken as * alone.", status: 400 });
}

/** Conditions that only some writes check. */
type Condition = "If-None-Exist" | "If-None-Match";

/** Refuses a write under a condition that nobody here would check: it must not happen as if there were none. */
export function refuseOtherConditions(request: FastifyRequest, checked: readonly Condition[] = []): void {
  const names = ["If-None-Exist", "If-None-Match", "If-Unmodified-Since"].filter(
    (one) => !checked.includes(one as never),
  );
  const name = names.find((header) => request.headers[header.toLowerCase()] !== undefined);
  if (name === undefined) return;
  const instead = name === "If-None-Exist" ? "It belongs to a create." : "Use If-Match with an ETag.";
  refuse({ kind: "not-supported", detail: `${name} is not supported on this write. ${instead}`, status: 400 });
}

const returns = ["minimal", "representation", "OperationOutcome"] as const;

/** What the client prefers (https://hl7.org/fhir/R4/http.html#ops); preferences that are not known here count for nothing (RFC 7240, 2). */
export function preferenceOf(request: FastifyRequest): {
  /** Absent where nothing is preferred: then a single write answers with the resource, a Bundle with as little as it may. */
  readonly return?: (typeof returns)[number];
  readonly handling: "strict" | "lenient";
} {
  // Several header lines are one list; of a preference that stands twice the first counts.
  const list = splitUnquoted([request.headers.prefer ?? ""].flat().join(","), ",");
  const pairs = list.map((one) => pairOf(splitUnquoted(one, ";")[0] ?? ""));
  const preferred = (name: string) => pairs.find(([known]) => known === name)?.[1].toLowerCase();
  const wanted = returns.find((one) => one.toLowerCase() === preferred("return"));
  return {
    ...(wanted === undefined ? {} : { return: wanted }),
    handling: preferred("handling") === "strict" ? "strict" : "lenient",
  };
}

/** Query parameters in their order, from the address and, for a POST search, from the form. */
export function searchParameters(request: FastifyRequest, maxBytes: number): [string, string][] {
  const form = plainText(request, maxBytes);
  // Read as something else, the body would be ignored and everything found.
  if (form !== "" && contentTypeOf(request) !== formType) {
    refuse({ kind: "not-supported", detail: `A search is sent as ${formType}.`, status: 415 });
  }
  return [...addressParameters(request), ...new URLSearchParams(form)];
}
