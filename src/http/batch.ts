import type { FastifyRequest } from "fastify";
import { type BundleOutcome, bundleResponseText } from "../fhir/bundle.ts";
import { outcomeOf, type Refused } from "../fhir/outcome.ts";
import { entriesOf, type SentEntry } from "../fhir/transaction.ts";
import type { Doors } from "./doors.ts";
import { answered } from "./fhir-answer.ts";
import { preferenceOf } from "./fhir-request.ts";

/** Header fields that stand in for the request of a batch entry. */
const conditions = {
  ifMatch: "if-match",
  ifNoneMatch: "if-none-match",
  ifModifiedSince: "if-modified-since",
  ifNoneExist: "if-none-exist",
} as const;

/** What of the batch's own request holds for each of its entries. */
const passedOn = [
  "authorization",
  "break-glass",
  "host",
  "forwarded",
  "x-forwarded-proto",
  "x-forwarded-host",
  "x-forwarded-for",
  "prefer",
] as const;

/** An entry as a request of its own. */
interface EntryRequest {
  readonly method: "GET" | "HEAD" | "POST" | "PUT" | "PATCH" | "DELETE";
  readonly url: string;
  readonly headers: Record<string, string>;
  readonly payload?: string | Buffer;
}

/**
 * Carries out a batch: each entry as if it had been sent alone, one after the other, so that it meets the same checks and
 * gets the same answer (https://hl7.org/fhir/R4/http.html#transaction). What one entry does, the others do not undo.
 */
export async function batch(
  doors: Doors,
  request: FastifyRequest,
  bundle: { readonly value: unknown; readonly exact: unknown },
): Promise<string> {
  const entries = answered(entriesOf(bundle.value, doors.service.limits.maxBundleEntries));
  const exact = (bundle.exact as { entry?: ({ resource?: unknown } | null)[] }).entry ?? [];
  const outcomes: BundleOutcome[] = [];
  for (const [i, entry] of entries.entries()) {
    const asked = requestOf(request, entry, exact[i]?.resource);
    outcomes.push("kind" in asked ? refusedEntry(asked, i) : await carryOut(request, asked));
  }
  return bundleResponseText("batch-response", outcomes);
}

function requestOf(request: FastifyRequest, entry: SentEntry, exact: unknown): EntryRequest | Refused {
  const { method, url, ...rest } = entry?.request ?? {};
  if (typeof method !== "string" || typeof url !== "string" || !/^(GET|HEAD|POST|PUT|PATCH|DELETE)$/.test(method)) {
    const detail = "Each entry has a request with a method GET, HEAD, POST, PUT, PATCH or DELETE and a url.";
    return { kind: "required", detail, status: 400 };
  }
  const path = url.replace(/^\//, "");
  if (!/^([A-Z$_]|metadata(\?|$))/.test(path) || /^\w+:/.test(path) || !staysBelow(path)) {
    const detail = `The url "${url.slice(0, 128)}" is relative to the base address: Type, Type/id or Type?parameters.`;
    return { kind: "value", detail, status: 400 };
  }
  const headers: Record<string, string> = { accept: "application/fhir+json", "x-request-id": request.id };
  for (const name of passedOn) {
    const value = request.headers[name];
    if (typeof value === "string") headers[name] = value;
  }
  for (const [member, name] of Object.entries(conditions)) {
    const value = (rest as Record<string, unknown>)[member];
    if (value === undefined) continue;
    if (typeof value !== "string") return { kind: "value", detail: `${member} is a text.`, status: 400 };
    headers[name] = name === "if-modified-since" ? httpDate(value) : value;
  }
  const asked = { method: method as EntryRequest["method"], url: `/fhir/${path}`, headers };
  return entry?.resource === undefined ? asked : { ...asked, ...payloadOf(method, exact) };
}

/** Whether the path of the address stays as it is written: `..`, `%2e%2e` or a backslash would lead to other doors. */
function staysBelow(path: string): boolean {
  const asked = `/fhir/${path}`;
  return new URL(asked, "http://local").pathname === asked.replace(/[?#].*$/s, "");
}

/** A JSON Patch travels as a Binary (https://hl7.org/fhir/R4/http.html#patch). */
function payloadOf(method: string, exact: unknown): { readonly payload: string | Buffer } {
  const { resourceType, contentType, data } = (exact ?? {}) as Record<string, unknown>;
  if (method === "PATCH" && resourceType === "Binary" && contentType === jsonPatch && typeof data === "string")
    return { payload: Buffer.from(data, "base64") };
  return { payload: JSON.stringify(exact) };
}

const jsonPatch = "application/json-patch+json";

/** The Bundle writes an instant where the header has a date of HTTP. */
function httpDate(instant: string): string {
  const ms = Date.parse(instant);
  return Number.isNaN(ms) ? instant : new Date(ms).toUTCString();
}

async function carryOut(request: FastifyRequest, asked: EntryRequest): Promise<BundleOutcome> {
  const isPatch = Buffer.isBuffer(asked.payload);
  const answer = await request.server.inject({
    method: asked.method,
    url: asked.url,
    headers: { ...asked.headers, "content-type": isPatch ? jsonPatch : "application/fhir+json" },
    remoteAddress: request.socket.remoteAddress ?? "127.0.0.1",
    ...(asked.payload === undefined ? {} : { payload: asked.payload }),
  });
  const status = `${answer.statusCode} ${answer.statusMessage}`;
  const text = answer.payload === "" ? undefined : answer.payload;
  // What an operation such as $validate answers is its result, and no remark about the entry.
  const isAbout =
    /^\{\s*"resourceType":\s*"OperationOutcome"/.test(text ?? "") && (answer.statusCode >= 400 || !reads(asked));
  const { etag, location } = answer.headers;
  const modified = answer.headers["last-modified"];
  return {
    status,
    ...(typeof location === "string" ? { location } : {}),
    ...(typeof etag === "string" ? { etag } : {}),
    ...(typeof modified === "string" ? { lastModified: new Date(modified).toISOString() } : {}),
    ...(text === undefined ? {} : isAbout ? { outcome: text } : bodyOf(asked, text, request)),
  };
}

/** A write answers with its resource only where the client prefers that; a read always does. */
function bodyOf(asked: EntryRequest, body: string, request: FastifyRequest): Pick<BundleOutcome, "body"> {
  return reads(asked) || preferenceOf(request).return === "representation" ? { body } : {};
}

function reads({ method, url }: EntryRequest): boolean {
  return method === "GET" || /\/\$/.test(url) || /\/_search(\?|$)/.test(url);
}

function refusedEntry(refusal: Refused, i: number): BundleOutcome {
  const at = `Bundle.entry[${i}].request`;
  return { status: "400 Bad Request", outcome: JSON.stringify(outcomeOf([{ ...refusal, at }])) };
}
