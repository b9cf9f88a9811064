import { randomUUID } from "node:crypto";
import { mkdir, readFile } from "node:fs/promises";
import type { Logger } from "pino";
import type { Config } from "./config.ts";
import { defaultThresholds } from "./domain/thresholds.ts";
import { createDefinitions, type Definitions } from "./fhir/definitions.ts";
import { ownProfileResources } from "./fhir/profiles/conformance.ts";
import { defaultBulkLimits } from "./flows/bulk-limits.ts";
import { defaultNotificationSettings, type Notifications } from "./flows/notification-settings.ts";
import { defaultLimits, type Limits, type Service } from "./flows/service.ts";
import { wayOut } from "./notify/send-notification.ts";
import type { Database } from "./store/database.ts";
import { type OpenStore, openStore } from "./store/open.ts";

/** What a service stands on, and what it was told. */
export interface Ground {
  readonly config: Config;
  readonly log: Logger;
  readonly store: OpenStore;
}

/** The version of this software, as package.json has it. */
export async function softwareVersion(): Promise<string> {
  const text = await readFile(new URL("../package.json", import.meta.url), "utf8");
  return (JSON.parse(text) as { version: string }).version;
}

/** Made before any database is opened: a type that R4 does not have is a mistake in the configuration. */
export function definitionsOf(config: Config): Definitions {
  try {
    return createDefinitions({
      types: config.RESOURCE_TYPES,
      profiles: ownProfileResources,
      ...(config.PUBLIC_BASE_URL === undefined ? {} : { ownBase: `${config.PUBLIC_BASE_URL}/fhir` }),
    });
  } catch (error) {
    throw new Error(`The configuration is not usable.\nRESOURCE_TYPES: ${(error as Error).message}`);
  }
}

function limitsOf(config: Config): Limits {
  return {
    defaultCount: Math.min(defaultLimits.defaultCount, config.MAX_PAGE_RESULTS),
    maxCount: config.MAX_PAGE_RESULTS,
    maxIncluded: config.MAX_INCLUDED,
    maxLinks: config.MAX_CHAIN_LINKS,
    maxBundleEntries: config.MAX_BUNDLE_ENTRIES,
    maxDeleted: config.MAX_DELETED_AT_ONCE,
    bulk: {
      ...defaultBulkLimits,
      jobsPerClient: config.MAX_BULK_JOBS_PER_CLIENT,
      jobsPerTenant: config.MAX_BULK_JOBS_PER_TENANT,
      keptMs: config.BULK_EXPIRY_HOURS * 3_600_000,
      importBytes: config.MAX_IMPORT_BYTES,
      importLines: config.MAX_IMPORT_LINES,
      lineBytes: Math.min(defaultBulkLimits.lineBytes, config.MAX_BODY_BYTES),
    },
  };
}

function notificationsOf(config: Config): Notifications {
  const settings = {
    ...defaultNotificationSettings,
    base: `${config.PUBLIC_BASE_URL ?? `http://${config.HOST}:${config.PORT}`}/fhir`,
    hosts: config.NOTIFY_HOSTS,
    privateNetworks: config.NOTIFY_PRIVATE_NETWORKS,
    loopback: config.NOTIFY_LOOPBACK === "on",
    timeoutMs: config.NOTIFY_TIMEOUT_MS,
    mostFailures: config.NOTIFY_MAX_FAILURES,
    longestRestMs: config.NOTIFY_MAX_REST_SECONDS * 1_000,
    mostWaiting: config.NOTIFY_MAX_WAITING,
    keptMs: config.NOTIFY_KEEP_DAYS * 86_400_000,
  };
  return { ...settings, ...wayOut(settings) };
}

/** The service as the configuration wants it, on an open database. */
export function serviceOn(database: Database, definitions: Definitions, config: Config, log: Logger): Service {
  return {
    database,
    definitions,
    thresholds: defaultThresholds,
    defaultZone: config.DEFAULT_ZONE,
    limits: limitsOf(config),
    referencePolicy: config.REFERENCES,
    notifications: notificationsOf(config),
    now: () => Date.now(),
    newId: () => randomUUID(),
    log,
  };
}

/**
 * Opens the database that the configuration names, or the embedded one, and brings it to the current schema. `onWaiting`
 * is called when that is on its way, for whoever has something to do meanwhile.
 */
export async function openConfigured(config: Config, log: Logger, onWaiting?: () => void): Promise<OpenStore> {
  await mkdir(config.DATA_DIR, { recursive: true });
  return openStore({
    url: config.DATABASE_URL,
    ownerUrl: config.MIGRATION_DATABASE_URL,
    dataFolder: config.DATA_DIR,
    poolSize: config.DATABASE_POOL_SIZE,
    statementTimeoutMs: config.STATEMENT_TIMEOUT_MS,
    onLog: (message) => log.debug({ postgres: message }, "database"),
    ...(onWaiting === undefined ? {} : { onWaiting }),
  });
}
