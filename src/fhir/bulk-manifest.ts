/** One file as a manifest names it; `count` is how many resources it holds. */
export interface ManifestFile {
  readonly type: string;
  readonly url: string;
  readonly count: number;
}

/** What a finished export or import is told by. */
export interface ManifestFacts {
  readonly transactionTimeMs: number;
  /** Address of the kick-off. */
  readonly request: string;
  readonly output: readonly ManifestFile[];
  readonly deleted: readonly ManifestFile[];
  readonly error: readonly ManifestFile[];
}

/** The manifest of Bulk Data Access 2.0.0 (https://hl7.org/fhir/uv/bulkdata/STU2/export.html#response---complete-status), as JSON text. */
export function bulkManifest({ transactionTimeMs, request, output, deleted, error }: ManifestFacts): string {
  return JSON.stringify({
    transactionTime: new Date(transactionTimeMs).toISOString(),
    request,
    requiresAccessToken: true,
    output,
    deleted,
    error,
  });
}
