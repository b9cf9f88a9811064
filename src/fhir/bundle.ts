import type { BundleLink, OperationOutcome } from "@medplum/fhirtypes";

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

/** One line of the answer to a transaction or batch. */
export interface BundleOutcome {
  readonly status: string;
  readonly location?: string;
  readonly etag?: string;
  readonly lastModified?: string;
  /** JSON text of the resource that the entry answers with. */
  readonly body?: string;
  /** JSON text of an OperationOutcome about the entry. */
  readonly outcome?: string;
}

/** The response Bundle as JSON text, one entry per entry sent and in its order (https://hl7.org/fhir/R4/http.html#transaction-response). */
export function bundleResponseText(
  type: "transaction-response" | "batch-response",
  outcomes: readonly BundleOutcome[],
): string {
  const entries = outcomes.map(({ status, location, etag, lastModified, body, outcome }) => {
    const response = JSON.stringify({ status, location, etag, lastModified });
    const withOutcome = outcome === undefined ? response : `${response.slice(0, -1)},"outcome":${outcome}}`;
    const resource = body === undefined ? "" : `,"resource":${body}`;
    return `{"response":${withOutcome}${resource}}`;
  });
  const list = entries.length === 0 ? "" : `,"entry":[${entries.join(",")}]`;
  return `{"resourceType":"Bundle","type":"${type}"${list}}`;
}
