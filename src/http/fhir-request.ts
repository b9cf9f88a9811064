import type { FastifyInstance, FastifyRequest } from "fastify";
import { inflate } from "../intake/inflate.ts";
import { RefusedRequest } from "./errors.ts";

const fhirTypes = ["application/fhir+json", "application/json", "text/json"];

/** Keeps bodies of FHIR requests as bytes, so that the flow sees numbers as they were written. */
export function keepBodiesAsBytes(app: FastifyInstance): void {
  app.removeAllContentTypeParsers();
  app.addContentTypeParser(fhirTypes, { parseAs: "buffer" }, (_request, body, done) => done(null, body));
  app.addContentTypeParser("application/x-www-form-urlencoded", { parseAs: "string" }, (_request, body, done) =>
    done(null, body),
  );
}

/** The text of a FHIR body, unpacked when it came as gzip. */
export function bodyText(request: FastifyRequest, maxBytes: number): string {
  const { body } = request;
  if (!Buffer.isBuffer(body)) {
    throw new RefusedRequest([
      { kind: "structure", detail: "The body is empty. Send one FHIR resource as JSON.", status: 400 },
    ]);
  }
  const encoding = (request.headers["content-encoding"] ?? "identity").toLowerCase();
  if (encoding !== "identity" && encoding !== "gzip") {
    throw new RefusedRequest([{ kind: "not-supported", detail: "Send the body plain or as gzip.", status: 415 }]);
  }
  const plain = encoding === "gzip" ? inflate(body, maxBytes) : ({ ok: true, value: body } as const);
  if (!plain.ok) throw new RefusedRequest(plain.refusals);
  try {
    return new TextDecoder("utf-8", { fatal: true }).decode(plain.value);
  } catch {
    throw new RefusedRequest([{ kind: "structure", detail: "The body is not UTF-8.", status: 400 }]);
  }
}

/** Refuses an Accept header or `_format` that asks for anything but JSON (https://hl7.org/fhir/R4/http.html#mime-type). */
export function requireJson(request: FastifyRequest): void {
  const asked = (request.query as { _format?: unknown })._format;
  const wanted = typeof asked === "string" ? asked : (request.headers.accept ?? "*/*");
  if (wanted === "json" || /\*\/\*|application\/\*|json/.test(wanted)) return;
  const detail = "Only JSON is answered here: ask for application/fhir+json.";
  throw new RefusedRequest([{ kind: "not-supported", detail, status: 406 }]);
}

/** The version that If-Match names; undefined without one (https://hl7.org/fhir/R4/http.html#concurrency). */
export function ifMatchVersion(request: FastifyRequest): number | undefined {
  const header = request.headers["if-match"];
  if (header === undefined) return undefined;
  const version = /^(?:W\/)?"(\d{1,9})"$/.exec(header)?.[1];
  if (version === undefined) {
    throw new RefusedRequest([{ kind: "value", detail: 'If-Match is an ETag such as W/"3".', status: 400 }]);
  }
  return Number(version);
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
export function searchParameters(request: FastifyRequest): [string, string][] {
  const query = request.url.indexOf("?");
  const inAddress = query < 0 ? [] : [...new URLSearchParams(request.url.slice(query + 1))];
  const inForm = typeof request.body === "string" ? [...new URLSearchParams(request.body)] : [];
  return [...inAddress, ...inForm];
}
