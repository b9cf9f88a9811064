import type { BundleEntry, BundleLink, OperationOutcome, Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";

/** A stored resource on its way into a bundle. */
export interface BundledResource {
  readonly type: string;
  readonly id: string;
  readonly body: string;
}

/** What goes into a searchset besides the matches. */
export interface SearchsetParts {
  readonly baseUrl: string;
  readonly matches: readonly BundledResource[];
  readonly included: readonly BundledResource[];
  readonly links: readonly BundleLink[];
  readonly total?: number;
  /** Warnings about ignored parameters, as an entry of mode `outcome`. */
  readonly outcome?: OperationOutcome;
}

/** A searchset Bundle as JSON text: stored bodies are passed through, never parsed (https://hl7.org/fhir/R4/bundle.html#searchset). */
export function searchsetText(parts: SearchsetParts): string {
  const entry = (resource: BundledResource, mode: string) =>
    `{"fullUrl":${JSON.stringify(`${parts.baseUrl}/${resource.type}/${resource.id}`)},"resource":${resource.body},"search":{"mode":"${mode}"}}`;
  const entries = [
    ...parts.matches.map((resource) => entry(resource, "match")),
    ...parts.included.map((resource) => entry(resource, "include")),
    ...(parts.outcome === undefined
      ? []
      : [`{"resource":${JSON.stringify(parts.outcome)},"search":{"mode":"outcome"}}`]),
  ];
  const total = parts.total === undefined ? "" : `,"total":${parts.total}`;
  // An empty array is not allowed in FHIR JSON.
  const list = entries.length === 0 ? "" : `,"entry":[${entries.join(",")}]`;
  return `{"resourceType":"Bundle","type":"searchset"${total},"link":${JSON.stringify(parts.links)}${list}}`;
}

/** One entry of a transaction as sent; `exact` is its resource with numbers as written. */
export interface TransactionEntry {
  readonly at: string;
  readonly method: "GET" | "POST" | "PUT" | "DELETE";
  readonly type: string;
  /** Empty for a POST. */
  readonly id: string;
  readonly fullUrl?: string;
  readonly ifNoneExist?: string;
  readonly ifVersion?: number;
  readonly resource?: Resource;
  readonly exact?: unknown;
}

const mostEntries = 1_000;

/** Reads the entries of a transaction Bundle; every refusal names its entry. */
export function readTransaction(value: unknown, exact: unknown): Result<TransactionEntry[]> {
  const bundle = value as { resourceType?: unknown; type?: unknown; entry?: BundleEntry[] };
  if (bundle.resourceType !== "Bundle") {
    return refused({ kind: "invalid", detail: "The base address takes a Bundle.", at: "resourceType", status: 400 });
  }
  if (bundle.type !== "transaction") {
    const detail = `A Bundle of type "${String(bundle.type).slice(0, 32)}" cannot be processed here. Send a transaction.`;
    return refused({ kind: "not-supported", detail, at: "Bundle.type", status: 400 });
  }
  const sent = Array.isArray(bundle.entry) ? bundle.entry : [];
  if (sent.length > mostEntries) {
    const detail = `A transaction may have at most ${mostEntries} entries. Split it.`;
    return refused({ kind: "too-costly", detail, at: "Bundle.entry", status: 413 });
  }
  const exactEntries = (exact as { entry?: { resource?: unknown }[] }).entry ?? [];
  const refusals: Refusal[] = [];
  const entries: TransactionEntry[] = [];
  sent.forEach((entry, i) => {
    const read = readEntry(entry, exactEntries[i]?.resource, `Bundle.entry[${i}]`);
    if (read.ok) entries.push(read.value);
    else refusals.push(...read.refusals);
  });
  return refusals.length > 0 ? refused(...refusals) : accepted(entries);
}

/** A member that must be text; anything else a client sends in its place reads as missing. */
function textOf(value: unknown): string {
  return typeof value === "string" ? value : "";
}

function readEntry(entry: BundleEntry | null, exact: unknown, at: string): Result<TransactionEntry> {
  const method = entry?.request?.method;
  const url = textOf(entry?.request?.url);
  if (entry === null || method === undefined || !["GET", "POST", "PUT", "DELETE"].includes(method)) {
    const detail = "Each entry of a transaction has a request with a method GET, POST, PUT or DELETE and a url.";
    return refused({ kind: "required", detail, at: `${at}.request`, status: 400 });
  }
  const match = /^([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9\-.]{1,64}))?$/.exec(url);
  if (match === null || (method === "POST") !== (match[2] === undefined)) {
    const detail = `The url of a ${method} is "Type${method === "POST" ? "" : "/id"}" here, not "${url.slice(0, 128)}".`;
    return refused({ kind: "not-supported", detail, at: `${at}.request.url`, status: 400 });
  }
  const wantsResource = method === "POST" || method === "PUT";
  const hasResource = typeof entry.resource === "object" && entry.resource !== null && !Array.isArray(entry.resource);
  if (wantsResource ? !hasResource : entry.resource !== undefined) {
    const detail = wantsResource ? `A ${method} needs a resource.` : `A ${method} has no resource.`;
    return refused({ kind: "required", detail, at: `${at}.resource`, status: 400 });
  }
  const ifMatch = entry.request?.ifMatch;
  const version = /^(?:W\/)?"?(\d{1,9})"?$/.exec(ifMatch ?? "")?.[1];
  return accepted({
    at,
    method: method as TransactionEntry["method"],
    type: match[1] ?? "",
    id: match[2] ?? "",
    ...(entry.fullUrl === undefined ? {} : { fullUrl: entry.fullUrl }),
    ...(entry.request?.ifNoneExist === undefined ? {} : { ifNoneExist: entry.request.ifNoneExist }),
    ...(ifMatch === undefined ? {} : { ifVersion: Number(version ?? -1) }),
    ...(entry.resource === undefined ? {} : { resource: entry.resource, exact }),
  });
}

/**
 * A copy of a resource in which every reference, url and narrative link to an entry's `fullUrl` names the `Type/id`
 * it got (https://hl7.org/fhir/R4/http.html#trules). Identifier and contact values are no links and stay as they are.
 */
export function withResolvedReferences<T>(value: T, resolved: ReadonlyMap<string, string>): T {
  if (resolved.size === 0) return value;
  return resolve("", value, resolved) as T;
}

/** Members of type string or id, where a text that looks like a link is none. */
const noLinks = new Set(["value", "id", "display", "valueString"]);

function resolve(name: string, value: unknown, resolved: ReadonlyMap<string, string>): unknown {
  if (typeof value === "string") {
    if (name === "div") return resolveInNarrative(value, resolved);
    return noLinks.has(name) ? value : (resolved.get(value) ?? value);
  }
  if (Array.isArray(value)) return value.map((one) => resolve(name, one, resolved));
  if (typeof value !== "object" || value === null || isRawNumber(value)) return value;
  return Object.fromEntries(Object.entries(value).map(([key, one]) => [key, resolve(key, one, resolved)]));
}

/** A number kept as it was written; a copy of its members would no longer be one. */
function isRawNumber(value: object): boolean {
  return Object.isFrozen(value) && "rawJSON" in value;
}

/** Links and images of the narrative: `href` and `src` of its XHTML. */
function resolveInNarrative(div: string, resolved: ReadonlyMap<string, string>): string {
  return div.replace(/(\b(?:href|src)\s*=\s*)(["'])([^"']*)\2/g, (whole, start: string, quote: string, url: string) => {
    const found = resolved.get(url);
    return found === undefined ? whole : `${start}${quote}${found}${quote}`;
  });
}

/** One line of a transaction's answer. */
export interface TransactionOutcome {
  readonly status: string;
  readonly type?: string;
  readonly id?: string;
  readonly version?: number;
  readonly lastUpdatedMs?: number;
  /** The resource as stored, for a GET. */
  readonly body?: string;
}

/** The transaction-response Bundle as JSON text, one entry per entry sent and in its order. */
export function transactionResponseText(baseUrl: string, outcomes: readonly TransactionOutcome[]): string {
  const entries = outcomes.map((outcome) => {
    const reference = outcome.id === undefined ? undefined : `${outcome.type}/${outcome.id}`;
    const response = JSON.stringify({
      status: outcome.status,
      ...(reference === undefined || outcome.version === undefined
        ? {}
        : { location: `${baseUrl}/${reference}/_history/${outcome.version}`, etag: `W/"${outcome.version}"` }),
      ...(outcome.lastUpdatedMs === undefined ? {} : { lastModified: new Date(outcome.lastUpdatedMs).toISOString() }),
    });
    const resource = outcome.body === undefined ? "" : `,"resource":${outcome.body}`;
    return `{"response":${response}${resource}}`;
  });
  const list = entries.length === 0 ? "" : `,"entry":[${entries.join(",")}]`;
  return `{"resourceType":"Bundle","type":"transaction-response"${list}}`;
}
