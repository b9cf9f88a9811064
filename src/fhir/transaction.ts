import type { BundleEntry, BundleEntryRequest, Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";

/** One entry of a transaction as sent; `exact` is its resource with numbers as written. */
export interface TransactionEntry {
  readonly at: string;
  readonly method: Method;
  readonly type: string;
  /** Empty for a create and for what is named by criteria. */
  readonly id: string;
  /** Of a versioned read. */
  readonly version?: number;
  /** Search parameters of a conditional interaction or a search; empty for a search without any. */
  readonly criteria?: string;
  readonly fullUrl?: string;
  readonly ifNoneExist?: string;
  readonly ifVersion?: number;
  readonly ifAbsent?: boolean;
  readonly resource?: Resource;
  readonly exact?: unknown;
  /** What a PATCH applies. */
  readonly patch?: { readonly contentType: string; readonly text: string };
}

type Method = "GET" | "HEAD" | "POST" | "PUT" | "PATCH" | "DELETE";

const methods: ReadonlySet<unknown> = new Set<Method>(["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"]);

/** Reads the entries of a Bundle of this type; every refusal names its entry. */
export function readEntries(value: unknown, exact: unknown, maxEntries: number): Result<TransactionEntry[]> {
  const sent = entriesOf(value, maxEntries);
  if (!sent.ok) return sent;
  const exactEntries = (exact as { entry?: ({ resource?: unknown } | null)[] }).entry ?? [];
  const refusals: Refusal[] = [];
  const entries: TransactionEntry[] = [];
  sent.value.forEach((entry, i) => {
    const read = readEntry(entry, exactEntries[i]?.resource, `Bundle.entry[${i}]`);
    if (read.ok) entries.push(read.value);
    else refusals.push(...read.refusals);
  });
  return refusals.length > 0 ? refused(...refusals) : accepted(entries);
}

/** An entry as a client sent it. */
export type SentEntry = BundleEntry | null;

/** The entries of a Bundle as sent, none of them looked at yet. */
export function entriesOf(value: unknown, maxEntries: number): Result<readonly SentEntry[]> {
  const { entry = [] } = value as { entry?: unknown };
  if (!Array.isArray(entry)) {
    const detail = "Bundle.entry is an array of entries.";
    return refused({ kind: "structure", detail, at: "Bundle.entry", status: 400 });
  }
  if (entry.length > maxEntries) {
    const detail = `A Bundle may have at most ${maxEntries} entries. Split it.`;
    return refused({ kind: "too-costly", detail, at: "Bundle.entry", status: 413 });
  }
  return accepted(entry as SentEntry[]);
}

/** Which of the two a Bundle sent to the base address is. */
export function bundleType(value: unknown): Result<"transaction" | "batch"> {
  const { resourceType, type } = value as { resourceType?: unknown; type?: unknown };
  if (resourceType !== "Bundle") {
    const detail = "The base address takes a Bundle of type transaction or batch.";
    return refused({ kind: "invalid", detail, at: "resourceType", status: 400 });
  }
  if (type === "transaction" || type === "batch") return accepted(type);
  const detail = `A Bundle of type "${String(type).slice(0, 32)}" cannot be processed here. Send a transaction or a batch, or store it at /Bundle.`;
  return refused({ kind: "not-supported", detail, at: "Bundle.type", status: 400 });
}

function readEntry(entry: BundleEntry | null, exact: unknown, at: string): Result<TransactionEntry> {
  const request = entry?.request as BundleEntryRequest | undefined;
  const method = request?.method as Method | undefined;
  if (entry === null || request === undefined || method === undefined || !methods.has(method)) {
    const detail = "Each entry has a request with a method GET, HEAD, POST, PUT, PATCH or DELETE and a url.";
    return refused({ kind: "required", detail, at: `${at}.request`, status: 400 });
  }
  const target = targetOf(method, textOf(request.url));
  if (target === undefined) {
    const detail = `The url of a ${method} is ${urlShapes[method]} in a transaction, not "${textOf(request.url).slice(0, 128)}".`;
    return refused({ kind: "not-supported", detail, at: `${at}.request.url`, status: 400 });
  }
  const wantsResource = method === "POST" || method === "PUT" || method === "PATCH";
  const hasResource = typeof entry.resource === "object" && entry.resource !== null && !Array.isArray(entry.resource);
  if (wantsResource ? !hasResource : entry.resource !== undefined) {
    const detail = wantsResource ? `A ${method} needs a resource.` : `A ${method} has no resource.`;
    return refused({ kind: "required", detail, at: `${at}.resource`, status: 400 });
  }
  const unchecked = uncheckedCondition(method, request);
  if (unchecked !== undefined) {
    const detail = `${unchecked} is not checked on this ${method}. Leave it out: it must not happen as if there were none.`;
    return refused({ kind: "not-supported", detail, at: `${at}.request.${unchecked}`, status: 400 });
  }
  const body = method === "PATCH" ? patchOf(entry.resource, exact, at) : accepted({ resource: entry.resource, exact });
  if (!body.ok) return body;
  return accepted({
    at,
    method,
    ...target,
    ...(wantsResource ? body.value : {}),
    ...conditionsOf(request),
    ...(typeof entry.fullUrl === "string" ? { fullUrl: entry.fullUrl } : {}),
  } as TransactionEntry);
}

const urlShapes: Readonly<Record<Method, string>> = {
  GET: '"Type/id", "Type/id/_history/version" or "Type?parameters"',
  HEAD: '"Type/id", "Type/id/_history/version" or "Type?parameters"',
  POST: '"Type"',
  PUT: '"Type/id" or "Type?criteria"',
  PATCH: '"Type/id" or "Type?criteria"',
  DELETE: '"Type/id" or "Type?criteria"',
};

function targetOf(
  method: Method,
  url: string,
): Pick<TransactionEntry, "type" | "id" | "version" | "criteria"> | undefined {
  const match = /^\/?([A-Z][A-Za-z]+)(?:\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/(\d{1,9}))?)?(?:\?(.*))?$/s.exec(url);
  if (match === null) return undefined;
  const [, type = "", id = "", version, criteria] = match;
  const reads = method === "GET" || method === "HEAD";
  if (method === "POST") return id === "" && criteria === undefined ? { type, id } : undefined;
  if (id !== "" && criteria !== undefined) return undefined;
  if (version !== undefined) return reads ? { type, id, version: Number(version) } : undefined;
  if (id !== "") return { type, id };
  if (reads) return { type, id, criteria: criteria ?? "" };
  return criteria === undefined ? undefined : { type, id, criteria };
}

const checkedConditions = {
  POST: ["ifNoneExist"],
  PUT: ["ifMatch", "ifNoneMatch"],
  PATCH: ["ifMatch"],
  DELETE: ["ifMatch"],
};

/** A condition of a write that nobody would check. On a read they only save sending what is known. */
function uncheckedCondition(method: Method, request: BundleEntryRequest): string | undefined {
  if (method === "GET" || method === "HEAD") return undefined;
  if (method === "PUT" && (request.ifNoneMatch ?? "*") !== "*") return "ifNoneMatch";
  return (["ifMatch", "ifNoneMatch", "ifNoneExist"] as const).find(
    (name) => request[name] !== undefined && !checkedConditions[method].includes(name),
  );
}

function conditionsOf(request: BundleEntryRequest): Partial<TransactionEntry> {
  const { ifMatch, ifNoneMatch, ifNoneExist } = request;
  const version = /^(?:W\/)?"?(\d{1,9})"?$/.exec(textOf(ifMatch))?.[1];
  return {
    ...(ifMatch === undefined ? {} : { ifVersion: Number(version ?? -1) }),
    ...(ifNoneMatch === "*" ? { ifAbsent: true } : {}),
    ...(ifNoneExist === undefined ? {} : { ifNoneExist: textOf(ifNoneExist).replace(/^\?/, "") }),
  };
}

/** A JSON Patch travels as a Binary, a FHIRPath Patch as Parameters (https://hl7.org/fhir/R4/http.html#patch). */
function patchOf(resource: Resource | undefined, exact: unknown, at: string): Result<Pick<TransactionEntry, "patch">> {
  if (resource?.resourceType === "Parameters")
    return accepted({ patch: { contentType: "application/fhir+json", text: JSON.stringify(exact) } });
  if (
    resource?.resourceType === "Binary" &&
    typeof resource.data === "string" &&
    typeof resource.contentType === "string"
  ) {
    const text = decoded(resource.data);
    if (text !== undefined) return accepted({ patch: { contentType: resource.contentType, text } });
  }
  const detail = "A PATCH carries Parameters (FHIRPath Patch), or a Binary with contentType and data (JSON Patch).";
  return refused({ kind: "structure", detail, at: `${at}.resource`, status: 400 });
}

function decoded(base64: string): string | undefined {
  try {
    return new TextDecoder("utf-8", { fatal: true }).decode(Uint8Array.fromBase64(base64));
  } catch {
    return undefined;
  }
}

/** A member that must be text; anything else a client sends in its place reads as missing. */
function textOf(value: unknown): string {
  return typeof value === "string" ? value : "";
}
