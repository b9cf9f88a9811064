import type { FastifyInstance, FastifyRequest } from "fastify";
import type { Refused } from "../fhir/outcome.ts";
import { inflate } from "../intake/inflate.ts";
import { RefusedRequest } from "./errors.ts";

const fhirTypes = ["application/fhir+json", "application/json", "text/json"];
const formType = "application/x-www-form-urlencoded";

/** Keeps bodies of FHIR requests as bytes, so that the flow sees numbers as they were written. */
export function keepBodiesAsBytes(app: FastifyInstance): void {
  app.removeAllContentTypeParsers();
  app.addContentTypeParser([...fhirTypes, formType], { parseAs: "buffer" }, (_request, body, done) => done(null, body));
}

function refuse(refusal: Refused): never {
  throw new RefusedRequest([refusal]);
}

/** The text of a FHIR resource, unpacked when it came as gzip. */
export function bodyText(request: FastifyRequest, maxBytes: number): string {
  if (isForm(request)) {
    const detail = "A form is taken by _search alone. Send the resource as application/fhir+json.";
    refuse({ kind: "not-supported", detail, status: 415 });
  }
  const text = plainText(request, maxBytes);
  if (text === "") {
    refuse({ kind: "structure", detail: "The body is empty. Send one FHIR resource as JSON.", status: 400 });
  }
  return text;
}

function isForm(request: FastifyRequest): boolean {
  return (request.headers["content-type"] ?? "").toLowerCase().startsWith(formType);
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

const jsonRanges = new Set([...fhirTypes, "json", "application/json+fhir", "application/*", "*/*"]);

/** Refuses an Accept header or `_format` that asks for anything but JSON (https://hl7.org/fhir/R4/http.html#mime-type). */
export function requireJson(request: FastifyRequest): void {
  const asked = (request.query as { _format?: unknown })._format;
  // A plus sign of an address that was not escaped arrives as a space.
  const wanted = typeof asked === "string" ? asked.replaceAll(" ", "+") : (request.headers.accept ?? "*/*");
  const ranges = wanted.split(",").filter((range) => !/;\s*\+*q=0(\.0*)?\s*$/.test(range));
  if (ranges.some((range) => jsonRanges.has((range.split(";")[0] ?? "").trim().toLowerCase()))) return;
  refuse({
    kind: "not-supported",
    detail: "Only JSON is answered here: ask for application/fhir+json.",
    status: 406,
  });
}

/** The version that If-Match names; undefined without one (https://hl7.org/fhir/R4/http.html#concurrency). */
export function ifMatchVersion(request: FastifyRequest): number | undefined {
  const header = request.headers["if-match"];
  if (header === undefined) return undefined;
  const version = /^(?:W\/)?"(\d{1,9})"$/.exec(header)?.[1];
  if (version === undefined) refuse({ kind: "value", detail: 'If-Match is an ETag such as W/"3".', status: 400 });
  return Number(version);
}

/** Refuses a write under a condition that nobody here would check: it must not happen as if there were none. */
export function refuseOtherConditions(request: FastifyRequest): void {
  const name = ["If-None-Exist", "If-None-Match", "If-Unmodified-Since"].find(
    (header) => request.headers[header.toLowerCase()] !== undefined,
  );
  if (name === undefined) return;
  const instead =
    name === "If-None-Exist" ? "Use request.ifNoneExist in a transaction Bundle." : "Use If-Match with an ETag.";
  refuse({ kind: "not-supported", detail: `${name} is not supported on this write. ${instead}`, status: 400 });
}

/** What the client prefers (https://hl7.org/fhir/R4/http.html#ops). */
export function preferenceOf(request: FastifyRequest): { return: string; handling: "strict" | "lenient" } {
  const header = String(request.headers.prefer ?? "");
  return {
    return: /return=(minimal|representation|OperationOutcome)/.exec(header)?.[1] ?? "representation",
    handling: /handling=strict/.test(header) ? "strict" : "lenient",
  };
}

/** Query parameters in their order, from the address and, for a POST search, from the form. */
export function searchParameters(request: FastifyRequest, maxBytes: number): [string, string][] {
  const query = request.url.indexOf("?");
  const inAddress = query < 0 ? [] : [...new URLSearchParams(request.url.slice(query + 1))];
  const form = plainText(request, maxBytes);
  // Read as something else, the body would be ignored and everything found.
  if (form !== "" && !isForm(request)) {
    refuse({ kind: "not-supported", detail: `A search is sent as ${formType}.`, status: 415 });
  }
  return [...inAddress, ...new URLSearchParams(form)];
}
