import { hostname } from "node:os";
import { setTimeout as sleep } from "node:timers/promises";
import type { FastifyInstance } from "fastify";
import type { Logger } from "pino";
import { buildApp, buildWorkerDoor } from "./app.ts";
import type { Config } from "./config.ts";
import { type Ground, softwareVersion } from "./configured-service.ts";
import { defaultStreamSettings } from "./flows/event-streams.ts";
import { externalTokens } from "./flows/external-token.ts";
import type { Service } from "./flows/service.ts";
import { auditedJobs, openTrail } from "./flows/trail.ts";
import { greet } from "./greeting.ts";
import { type AccessTokens, tokenHash } from "./http/bearer.ts";
import type { Closing } from "./http/closing.ts";
import { cursorsWith } from "./http/cursor.ts";
import { demoToken } from "./http/demo-access.ts";
import type { Doors } from "./http/doors.ts";
import type { EdgeSettings, TlsPair } from "./http/edge-settings.ts";
import { type MessageFile, readMessageFile } from "./message-file.ts";
import type { openMessageListener as OpenMessageListener } from "./message-listener.ts";
import type { MllpListener } from "./mllp/listener.ts";
import { openWatch, watchedService, watchingDoors } from "./open-watch.ts";
import { say } from "./say.ts";
import type { Database } from "./store/database.ts";
import { isReady } from "./store/open.ts";
import { readiness } from "./store/readiness.ts";
import { type Replica, watchReplica } from "./store/replica.ts";
import { sharedKey } from "./store/service-key.ts";
import { ensureTenant } from "./store/tenant.ts";
import { readTls } from "./tls.ts";
import { readTokenIssuers } from "./token-issuers.ts";

interface Demo {
  readonly token: string;
  readonly tenantId: number;
}

/**
 * Builds the doors of a service and listens; then starts the worker, and what can be done at leisure. A process whose role is
 * one of the two leaves out the other.
 */
export async function openDoors(unwatched: Service, ground: Ground): Promise<void> {
  const { config, log, store } = ground;
  const version = await softwareVersion();
  const watch = await openWatch(config, version, log);
  const service = watchedService(unwatched, watch.watchers);
  const demo = await demoOf(service, ground);
  const issuers = await readTokenIssuers(config);
  const trail = openTrail(service, config.PROCESS_NAME ?? `${hostname()}:${config.PORT}`);
  const file = await messageFileOf(config, demo !== undefined);
  const tls = await readTls(config);
  const closing: Closing = { stage: "open" };
  const replica = replicaOf(ground);
  const doors: Doors = {
    service,
    ...(replica === undefined ? {} : { replica }),
    trail,
    tokens: await tokensOf(store.database, config, demo),
    externalTokens: externalTokens(service, issuers),
    cursors: cursorsWith(await sharedKey(store.database, "page-links")),
    maxBodyBytes: config.MAX_BODY_BYTES,
    messages: file.settings,
    ...(config.PUBLIC_BASE_URL === undefined ? {} : { publicBaseUrl: config.PUBLIC_BASE_URL }),
    trustedProxies: config.TRUSTED_PROXIES,
    edge: edgeOf(config, tls),
    softwareVersion: version,
    startedIso: new Date(service.now()).toISOString(),
    streams: { ...defaultStreamSettings, most: config.MAX_EVENT_STREAMS },
    isReady: () => isReady(store.database),
    closing,
    watch: watchingDoors(watch.watchers),
  };
  const app = config.ROLE === "worker" ? await buildWorkerDoor(doors, log) : await buildApp(doors, log);
  const background: { stop?: () => Promise<void>; stopMessages?: () => Promise<void> } = {};
  stopOnSignal(log, async (signal) => {
    const resting = background.stop?.();
    await Promise.all([
      background.stopMessages?.(),
      close(app, closing, signal === "SIGTERM" ? config.DRAIN_SECONDS : 0),
    ]);
    await resting;
    await trail.close();
    await replica?.close();
    await watch.close();
    await store.close();
  });
  const metricsPort = await watch.listen({
    database: store.database,
    softwareVersion: version,
    auditWaiting: trail.waiting,
    ...(replica === undefined ? {} : { replicaLagMs: replica.lagMs }),
    readiness: () => readiness(store.database),
  });
  await listen(app, config);
  const messages = await messageListener(config, { service, trail, file }, { isDemo: demo !== undefined, tls });
  if (messages !== undefined) background.stopMessages = () => messages.close();
  await greet(app, config, { token: demo?.token, mllpPort: messages?.port, metricsPort }, say);
  if (config.ROLE !== "worker" && doors.tokens.size + issuers.length === 0)
    say("\nNobody can come in yet: no ACCESS_TOKENS are configured and no demo is played.");
  const { startBackground } = await import("./background.ts");
  // A signal that comes before it has started finds nothing to stop; one that comes meanwhile waits for it, or jobs would be cut off.
  if (closing.stage !== "open") return;
  const starting = startBackground(auditedJobs(service, trail), ground, watch.watchers);
  background.stop = async () => (await starting)();
  await starting;
}

async function messageFileOf(config: Config, isDemo: boolean): Promise<MessageFile> {
  const file = await readMessageFile(config);
  return isDemo ? (await import("./message-listener.ts")).withDemoSender(file, config.DATA_DIR) : file;
}

async function messageListener(
  config: Config,
  doors: Parameters<typeof OpenMessageListener>[1],
  options: Parameters<typeof OpenMessageListener>[2],
): Promise<MllpListener | undefined> {
  if (config.ROLE === "worker" || (config.MLLP_PORT === undefined && !options.isDemo)) return undefined;
  return (await import("./message-listener.ts")).openMessageListener(config, doors, options);
}

function replicaOf({ config, log, store }: Ground): Replica | undefined {
  if (config.DATABASE_REPLICA_URL === undefined || config.ROLE === "worker") return undefined;
  return watchReplica(store.database, config.DATABASE_REPLICA_URL, {
    maxLagMs: config.REPLICA_MAX_LAG_SECONDS * 1_000,
    poolSize: config.DATABASE_POOL_SIZE,
    statementTimeoutMs: config.STATEMENT_TIMEOUT_MS,
    onChange: (state) => log.warn({ state }, "the replica"),
  });
}

/** How long whoever still comes is sent elsewhere before nobody listens: then nobody is on the way to a closed port. */
const sendAwayMs = 500;

/** Closes the doors so that no client is left in doubt (http/closing); at once where nobody is to be waited for. */
async function close(app: FastifyInstance, closing: Closing, drainSeconds: number): Promise<void> {
  closing.stage = "finishing";
  await sleep(drainSeconds * 1_000);
  closing.stage = "closed";
  if (drainSeconds > 0) await sleep(sendAwayMs);
  await app.close();
}

async function demoOf(service: Service, { config, store }: Ground): Promise<Demo | undefined> {
  if (config.ROLE === "worker" || config.DEMO === "off" || (config.DEMO === "auto" && !store.embedded))
    return undefined;
  const { playDemo } = await import("./demo.ts");
  const { registerDemoClients } = await import("../seed/demo-clients.ts");
  say("Playing the demo scenario (invented people) …");
  const demo = { token: await demoToken(config.DATA_DIR), tenantId: await playDemo(service) };
  await registerDemoClients(service, demo.tenantId, config.DATA_DIR);
  return demo;
}

function edgeOf(config: Config, tls: TlsPair | undefined): EdgeSettings {
  return {
    corsOrigins: config.CORS_ORIGINS,
    requestsPerMinute: config.RATE_LIMIT_PER_MINUTE,
    maxConnections: config.MAX_CONNECTIONS,
    ...(tls === undefined ? {} : { tls }),
  };
}

/** Tenants of the configured tokens, and of the demo's when the demo is played. */
async function tokensOf(database: Database, config: Config, demo: Demo | undefined): Promise<AccessTokens> {
  const tokens = new Map<string, number>();
  for (const entry of config.ACCESS_TOKENS) {
    const [slug = "", hash = ""] = entry.split(":");
    tokens.set(hash, (await ensureTenant(database, slug)).tenantId);
  }
  if (demo !== undefined) tokens.set(tokenHash(demo.token), demo.tenantId);
  return tokens;
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
function stopOnSignal(log: Logger, close: (signal: NodeJS.Signals) => Promise<void>): void {
  let stopping = false;
  const stop = (signal: NodeJS.Signals) => {
    if (stopping) process.exit(1);
    stopping = true;
    log.info({ signal }, "stopping: finishing what has begun");
    close(signal).then(
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
