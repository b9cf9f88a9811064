import type { BundleLink } from "@medplum/fhirtypes";

/** One version on its way into a history. */
export interface HistoryVersion {
  readonly type: string;
  readonly id: string;
  readonly version: number;
  readonly lastUpdatedMs: number;
  /** Whether this version is a deletion; its body is not shown then. */
  readonly deleted: boolean;
  /** Whether the version before this one is a deletion. */
  readonly afterDeletion: boolean;
  readonly body: string;
}

/** What goes into a history. */
export interface HistoryParts {
  readonly baseUrl: string;
  /** In the order of the answer: newest first. */
  readonly versions: readonly HistoryVersion[];
  readonly links: readonly BundleLink[];
  /** Versions on all pages together; absent when they were not counted to the end. */
  readonly total?: number;
}

/**
 * A history Bundle as JSON text: stored bodies are passed through, never parsed. Each entry says which interaction made
 * the version and how it was answered (https://hl7.org/fhir/R4/bundle.html#history, rules bdl-3 and bdl-4).
 */
export function historyText(parts: HistoryParts): string {
  const entries = parts.versions.map((version) => entryText(parts.baseUrl, version));
  const total = parts.total === undefined ? "" : `,"total":${parts.total}`;
  // An empty array is not allowed in FHIR JSON.
  const list = entries.length === 0 ? "" : `,"entry":[${entries.join(",")}]`;
  return `{"resourceType":"Bundle","type":"history"${total},"link":${JSON.stringify(parts.links)}${list}}`;
}

function entryText(baseUrl: string, version: HistoryVersion): string {
  const { request, status } = interactionOf(version);
  // Never of one version (rule bdl-8): the version stands in the resource, and in the etag of a deletion.
  const fullUrl = JSON.stringify(`${baseUrl}/${version.type}/${version.id}`);
  const response = {
    status,
    etag: `W/"${version.version}"`,
    lastModified: new Date(version.lastUpdatedMs).toISOString(),
  };
  const resource = version.deleted ? "" : `,"resource":${version.body}`;
  return `{"fullUrl":${fullUrl}${resource},"request":${JSON.stringify(request)},"response":${JSON.stringify(response)}}`;
}

/**
 * The interaction that made a version, told as a direct one whatever the client sent: conditional writes, patches and
 * updates that created are told as create, update and delete (https://hl7.org/fhir/R4/http.html#history).
 */
function interactionOf(version: HistoryVersion): { request: { method: string; url: string }; status: string } {
  const url = `${version.type}/${version.id}`;
  if (version.deleted) return { request: { method: "DELETE", url }, status: "204 No Content" };
  if (version.version === 1) return { request: { method: "POST", url: version.type }, status: "201 Created" };
  return { request: { method: "PUT", url }, status: version.afterDeletion ? "201 Created" : "200 OK" };
}
