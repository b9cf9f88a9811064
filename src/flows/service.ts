import type { Logger } from "pino";
import type { Thresholds } from "../domain/thresholds.ts";
import type { EpochMs } from "../domain/time.ts";
import type { Definitions } from "../fhir/definitions.ts";
import type { Database } from "../store/database.ts";

/** What every flow is handed: the database, the definitions in force, the clock and the source of ids. */
export interface Service {
  readonly database: Database;
  readonly definitions: Definitions;
  readonly thresholds: Thresholds;
  /** Zone of patients whose record names none. */
  readonly defaultZone: string;
  now(): EpochMs;
  newId(): string;
  readonly log: Pick<Logger, "info" | "warn" | "error">;
}
