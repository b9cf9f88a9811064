import type { Logger } from "pino";
import type { Thresholds } from "../domain/thresholds.ts";
import type { EpochMs } from "../domain/time.ts";
import type { Definitions } from "../fhir/definitions.ts";
import type { Database } from "../store/database.ts";
import type { AuditBuffer } from "./audit-buffer.ts";
import { type BulkLimits, defaultBulkLimits } from "./bulk-limits.ts";
import type { Notifications } from "./notification-settings.ts";

/** Bounds on what one request may ask for; each refusal says which. */
export interface Limits {
  /** Results of a page that asks for no number, and the most of one that does. */
  readonly defaultCount: number;
  readonly maxCount: number;
  /** Resources that a page includes besides its matches. */
  readonly maxIncluded: number;
  /** Links that a chained search follows. */
  readonly maxLinks: number;
  readonly maxBundleEntries: number;
  /** Resources that one conditional delete may take away. */
  readonly maxDeleted: number;
  readonly bulk: BulkLimits;
}

/** The bounds unless configuration says otherwise. */
export const defaultLimits: Limits = {
  defaultCount: 20,
  maxCount: 500,
  maxIncluded: 1_000,
  maxLinks: 3,
  maxBundleEntries: 1_000,
  maxDeleted: 100,
  bulk: defaultBulkLimits,
};

/** What every flow is handed: the database, the definitions in force, the clock and the source of ids. */
export interface Service {
  readonly database: Database;
  readonly definitions: Definitions;
  readonly thresholds: Thresholds;
  /** Zone of patients whose record names none. */
  readonly defaultZone: string;
  readonly limits: Limits;
  /** Whether local references must point to what is here. */
  readonly referencePolicy: "check" | "accept";
  now(): EpochMs;
  newId(): string;
  readonly log: Pick<Logger, "info" | "warn" | "error">;
  /** Told of entries that the service's jobs note for somebody; absent where nobody chains them soon. */
  readonly trail?: Pick<AuditBuffer, "touch">;
  /** Who may be told of what happens, and how; nobody where absent. */
  readonly notifications?: Notifications;
  /** Whose writes they are; the service's own where absent. */
  readonly writer?: { readonly clientId: string; readonly scopes: string };
}
