/** Bounds on exports and imports. */
export interface BulkLimits {
  /** Jobs of one client, and of all clients of a tenant, that have not ended. */
  readonly jobsPerClient: number;
  readonly jobsPerTenant: number;
  /** For how long the files of a job that ended are kept. */
  readonly keptMs: number;
  /** Bytes (unpacked) and lines of an import, and bytes of one of its lines. */
  readonly importBytes: number;
  readonly importLines: number;
  readonly lineBytes: number;
  /** Unpacked bytes after which a file ends and another begins. */
  readonly fileBytes: number;
}

/** The bounds unless configuration says otherwise. */
export const defaultBulkLimits: BulkLimits = {
  jobsPerClient: 2,
  jobsPerTenant: 5,
  keptMs: 24 * 3_600_000,
  importBytes: 1_073_741_824,
  importLines: 1_000_000,
  lineBytes: 1_048_576,
  fileBytes: 268_435_456,
};

/** A job whose worker gave no sign of life for so long is taken over by another. */
export const silentMs = 60_000;
