import { randomUUID } from "node:crypto";
import { mkdir, readFile, writeFile } from "node:fs/promises";
import { hostname } from "node:os";
import type { FastifyInstance } from "fastify";
import type { Logger } from "pino";
import { registerDemoClients } from "../seed/demo-clients.ts";
import { loadDemo } from "../seed/load.ts";
import { buildApp, freshOpenApi } from "./app.ts";
import { type Config, readConfig } from "./config.ts";
import { localDayOf } from "./domain/local-day.ts";
import { defaultThresholds } from "./domain/thresholds.ts";
import { createDefinitions, type Definitions } from "./fhir/definitions.ts";
import { ownProfileResources } from "./fhir/profiles/conformance.ts";
import { externalTokens } from "./flows/external-token.ts";
import { jobsOf, jobTimetable } from "./flows/jobs.ts";
import { publishDefinitions } from "./flows/publish-definitions.ts";
import { rebuild } from "./flows/rebuild.ts";
import { defaultLimits, type Limits, type Service } from "./flows/service.ts";
import { auditedJobs, openTrail } from "./flows/trail.ts";
import { greet } from "./greeting.ts";
import { accessMatrix } from "./http/access-matrix.ts";
import { type AccessTokens, tokenHash } from "./http/bearer.ts";
import { cursorsWith } from "./http/cursor.ts";
import { cursorKey, demoToken } from "./http/demo-access.ts";
import type { Doors } from "./http/doors.ts";
import type { EdgeSettings, TlsPair } from "./http/edge-settings.ts";
import { useRecordJsonSchema } from "./intake/use-record-schema.ts";
import { keepingCommands } from "./keeping-commands.ts";
import { jobLogOn, lastWords, logCrashes, logOf } from "./log.ts";
import { registerClientCommand } from "./register-client.ts";
import type { Database } from "./store/database.ts";
import { isReady, type OpenStore, openStore } from "./store/open.ts";
import { ensureTenant } from "./store/tenant.ts";
import { startWorker } from "./store/worker.ts";
import { readTls } from "./tls.ts";
import { readTokenIssuers } from "./token-issuers.ts";
import { verifyAuditCommand } from "./verify-audit.ts";

const demoTenant = "demo";

const say = (text: string) => process.stdout.write(`${text}\n`);

async function softwareVersion(): Promise<string> {
  const text = await readFile(new URL("../package.json", import.meta.url), "utf8");
  return (JSON.parse(text) as { version: string }).version;
}

/** Made before any database is opened: a type that R4 does not have is a mistake in the configuration. */
function definitionsOf(config: Config): Definitions {
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
  };
}

function edgeOf(config: Config, tls: TlsPair | undefined): EdgeSettings {
  return {
    corsOrigins: config.CORS_ORIGINS,
    requestsPerMinute: config.RATE_LIMIT_PER_MINUTE,
    maxConnections: config.MAX_CONNECTIONS,
    ...(tls === undefined ? {} : { tls }),
  };
}

function serviceOn(database: Database, definitions: Definitions, config: Config, log: Logger): Service {
  return {
    database,
    definitions,
    thresholds: defaultThresholds,
    defaultZone: config.DEFAULT_ZONE,
    limits: limitsOf(config),
    referencePolicy: config.REFERENCES,
    now: () => Date.now(),
    newId: () => randomUUID(),
    log,
  };
}

async function open(config: Config, log: Logger): Promise<OpenStore> {
  await mkdir(config.DATA_DIR, { recursive: true });
  return openStore({
    url: config.DATABASE_URL,
    ownerUrl: config.MIGRATION_DATABASE_URL,
    dataFolder: config.DATA_DIR,
    poolSize: config.DATABASE_POOL_SIZE,
    statementTimeoutMs: config.STATEMENT_TIMEOUT_MS,
    onLog: (message) => log.debug({ postgres: message }, "database"),
  });
}

/** Tenants of the configured tokens, and of the demo's when the demo is played. */
async function tokensOf(
  database: Database,
  config: Config,
  demo: { token: string; tenantId: number } | undefined,
): Promise<AccessTokens> {
  const tokens = new Map<string, number>();
  for (const entry of config.ACCESS_TOKENS) {
    const [slug = "", hash = ""] = entry.split(":");
    tokens.set(hash, (await ensureTenant(database, slug)).tenantId);
  }
  if (demo !== undefined) tokens.set(tokenHash(demo.token), demo.tenantId);
  return tokens;
}

async function playDemo(service: Service): Promise<number> {
  const { tenantId } = await ensureTenant(service.database, demoTenant);
  const today = localDayOf(service.now(), service.defaultZone);
  await loadDemo(service, tenantId, { today, onProgress: (text) => say(`  ${text}`) });
  return tenantId;
}

async function start(): Promise<void> {
  const config = readConfig();
  const log = logOf(config);
  logCrashes(log);
  const definitions = definitionsOf(config);
  const edge = edgeOf(config, await readTls(config));
  const issuers = await readTokenIssuers(config);
  say("Starting PostgreSQL and bringing it to the current schema …");
  const store = await open(config, log);
  const service = serviceOn(store.database, definitions, config, log);
  let demo: { token: string; tenantId: number } | undefined;
  if (config.DEMO === "on" || (config.DEMO === "auto" && store.embedded)) {
    say("Playing the demo scenario (invented people) …");
    demo = { token: await demoToken(config.DATA_DIR), tenantId: await playDemo(service) };
    await registerDemoClients(service, demo.tenantId, config.DATA_DIR);
  }
  const trail = openTrail(service, `${hostname()}:${config.PORT}`);
  const ownWork = auditedJobs(service, trail);
  const doors: Doors = {
    service,
    trail,
    tokens: await tokensOf(store.database, config, demo),
    externalTokens: externalTokens(service, issuers),
    cursors: cursorsWith(await cursorKey(config.DATA_DIR)),
    maxBodyBytes: config.MAX_BODY_BYTES,
    ...(config.PUBLIC_BASE_URL === undefined ? {} : { publicBaseUrl: config.PUBLIC_BASE_URL }),
    trustedProxies: config.TRUSTED_PROXIES,
    edge,
    softwareVersion: await softwareVersion(),
    startedIso: new Date(service.now()).toISOString(),
    isReady: () => isReady(store.database),
  };
  const app = await buildApp(doors, log);
  const worker =
    config.WORKER_CONCURRENCY === 0
      ? undefined
      : await startWorker(store.ownerUrl, jobsOf(ownWork), {
          concurrency: config.WORKER_CONCURRENCY,
          timetable: jobTimetable,
          onLog: jobLogOn(log),
        });
  let publishing: Promise<void> | undefined;
  stopOnSignal(log, async () => {
    await app.close();
    await publishing;
    await worker?.stop();
    await trail.close();
    await store.close();
  });
  await listen(app, config);
  await greet(app, config, demo?.token, say);
  // Only now: building them takes a second, and nobody who asks for a patient should wait for that.
  publishing = publish(ownWork, log);
  if (doors.tokens.size + issuers.length === 0)
    say("\nNobody can come in yet: no ACCESS_TOKENS are configured and no demo is played.");
}

/** Serves our own definitions from every tenant; what goes wrong with that keeps nobody from their patients. */
async function publish(service: Service, log: Logger): Promise<void> {
  try {
    const published = await publishDefinitions(service);
    if (published > 0) log.info({ published }, "stored our own definitions with every tenant");
  } catch (error) {
    log.error(
      { code: (error as { code?: string }).code },
      "our own definitions could not be stored; the next start tries again",
    );
  }
}

async function listen(app: FastifyInstance, config: Config): Promise<void> {
  try {
    await app.listen({ port: config.PORT, host: config.HOST });
  } catch (error) {
    if ((error as { code?: string }).code !== "EADDRINUSE") throw error;
    throw new Error(
      `Port ${config.PORT} on ${config.HOST} is taken. Stop what uses it, or set PORT (0 takes any free one).`,
    );
  }
}

/** Finishes what has begun, once; a second signal ends the process at once. */
function stopOnSignal(log: Logger, close: () => Promise<void>): void {
  let stopping = false;
  const stop = (signal: NodeJS.Signals) => {
    if (stopping) process.exit(1);
    stopping = true;
    log.info({ signal }, "stopping: finishing what has begun");
    close().then(
      () => process.exit(0),
      (error: unknown) => {
        log.error({ err: error }, "stopping failed");
        process.exit(1);
      },
    );
  };
  process.on("SIGTERM", stop);
  process.on("SIGINT", stop);
}

/** Opens the store for a command that ends by itself. */
async function withService(
  work: (service: Service, place: { ownerUrl: string; config: Config }) => Promise<void>,
): Promise<void> {
  const config = readConfig();
  const log = logOf(config);
  const definitions = definitionsOf(config);
  const store = await open(config, log);
  try {
    await work(serviceOn(store.database, definitions, config, log), { ownerUrl: store.ownerUrl, config });
  } finally {
    await store.close();
  }
}

async function writeOpenApi(): Promise<void> {
  const folder = new URL("../openapi/", import.meta.url);
  await writeFile(new URL("openapi.json", folder), await freshOpenApi(await softwareVersion()));
  const { types } = createDefinitions({ types: "default", profiles: ownProfileResources });
  await writeFile(new URL("../docs/access.md", import.meta.url), accessMatrix(types));
  await writeFile(new URL("use-record.schema.json", folder), `${JSON.stringify(useRecordJsonSchema(), null, 2)}\n`);
}

const keeping = Object.fromEntries(
  Object.entries(keepingCommands).map(([name, run]) => [
    name,
    () => withService((service, place) => run({ ...place, service, args: process.argv.slice(3), say })),
  ]),
);

const commands: Readonly<Record<string, () => Promise<void>>> = {
  start,
  migrate: () => withService(async () => void say("The database is at the current schema.")),
  seed: () => withService(async (service) => void (await playDemo(service))),
  rebuild: () =>
    withService((service) =>
      rebuild(service, ({ tenant, type, resources }) => say(`${tenant}: ${resources} ${type} resources`)),
    ),
  "register-client": () =>
    withService(async (service) => void say(await registerClientCommand(service, process.argv.slice(3)))),
  "verify-audit": () =>
    withService(async (service) => {
      if (!(await verifyAuditCommand(service, process.argv.slice(3), say))) process.exitCode = 1;
    }),
  ...keeping,
  openapi: writeOpenApi,
};

const command = commands[process.argv[2] ?? "start"];
if (command === undefined) {
  say(`Unknown command. Use one of: ${Object.keys(commands).join(", ")}.`);
  process.exitCode = 2;
} else {
  await command().catch((error: unknown) => {
    process.stderr.write(`${lastWords(error)}\n`);
    process.exit(1);
  });
}
