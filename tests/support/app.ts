import type { FastifyBaseLogger, FastifyInstance } from "fastify";
import { buildApp } from "../../src/app.ts";
import type { AuditBuffer } from "../../src/flows/audit-buffer.ts";
import type { StreamSettings } from "../../src/flows/event-streams.ts";
import { externalTokens, type TokenIssuer } from "../../src/flows/external-token.ts";
import type { Notifications } from "../../src/flows/notification-settings.ts";
import type { Limits } from "../../src/flows/service.ts";
import { openTrail } from "../../src/flows/trail.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import type { EdgeSettings } from "../../src/http/edge-settings.ts";
import { watchedService, watchingDoors } from "../../src/open-watch.ts";
import { isReady } from "../../src/store/open.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import type { Watcher } from "../../src/watch/watcher.ts";
import { type TestService, testService } from "./service.ts";

/** The doors of a test service, with a token for its tenant and one for a stranger's. */
export interface TestApp extends TestService {
  readonly trail: AuditBuffer;
  readonly app: FastifyInstance;
  readonly token: string;
  readonly strangersToken: string;
  /** Headers of a FHIR request with the tenant's token. */
  readonly headers: { readonly authorization: string; readonly "content-type": string };
}

/** Builds the app on a database of its own. */
export async function testApp(
  nowIso: string,
  options: {
    maxBodyBytes?: number;
    limits?: Partial<Limits>;
    referencePolicy?: "check" | "accept";
    ownBase?: string;
    types?: readonly string[];
    edge?: EdgeSettings;
    trustedProxies?: readonly string[];
    issuers?: readonly TokenIssuer[];
    log?: FastifyBaseLogger;
    notifications?: Notifications;
    streams?: StreamSettings;
    watchers?: readonly Watcher[];
  } = {},
): Promise<TestApp> {
  const {
    limits,
    maxBodyBytes,
    edge,
    trustedProxies,
    issuers = [],
    watchers = [],
    log,
    notifications,
    streams,
    ...policy
  } = options;
  const made = await testService(nowIso, policy);
  const service = {
    ...watchedService(made.service, watchers),
    limits: { ...made.service.limits, ...limits },
    ...(log === undefined ? {} : { log }),
    ...(notifications === undefined ? {} : { notifications }),
  };
  const stranger = await ensureTenant(made.database, "stranger");
  const [token, strangersToken] = ["token-of-the-test", "token-of-a-stranger"];
  const trail = openTrail(service, "test");
  const app = await buildApp(
    {
      service,
      trail,
      tokens: new Map([
        [tokenHash(token), made.tenantId],
        [tokenHash(strangersToken), stranger.tenantId],
      ]),
      cursors: cursorsWith(Buffer.alloc(32, 7)),
      maxBodyBytes: maxBodyBytes ?? 1_000_000,
      publicBaseUrl: "https://gate.test",
      externalTokens: externalTokens(service, issuers),
      ...(edge === undefined ? {} : { edge }),
      ...(streams === undefined ? {} : { streams }),
      ...(trustedProxies === undefined ? {} : { trustedProxies }),
      softwareVersion: "0.0.0",
      startedIso: nowIso,
      isReady: () => isReady(made.database),
      watch: watchingDoors(watchers),
    },
    log,
  );
  return {
    ...made,
    service,
    trail,
    app,
    token,
    strangersToken,
    headers: { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" },
    close: async () => {
      await app.close();
      await trail.close();
      await made.close();
    },
  };
}
