import Fastify, { type FastifyInstance } from "fastify";
import { requireToken } from "../../src/http/access.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import type { Doors } from "../../src/http/doors.ts";
import { answerErrors } from "../../src/http/errors.ts";
import { keepBodiesAsBytes } from "../../src/http/fhir-request.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { quietTrail } from "./quiet-trail.ts";
import { type TestService, testService } from "./service.ts";

/** An app with nothing but the routes under test, guarded and with bodies as bytes like the FHIR door. */
export interface OperationsApp extends TestService {
  readonly app: FastifyInstance;
  readonly strangersId: number;
  readonly headers: Record<string, string>;
  readonly strangersHeaders: Record<string, string>;
}

/** Builds the app around `routes` on a database of its own, under /fhir. */
export async function operationsApp(
  nowIso: string,
  routes: (app: FastifyInstance, doors: Doors) => void,
): Promise<OperationsApp> {
  const made = await testService(nowIso);
  const stranger = await ensureTenant(made.database, "stranger");
  const [token, strangersToken] = ["token-of-the-test", "token-of-a-stranger"];
  const doors: Doors = {
    service: made.service,
    tokens: new Map([
      [tokenHash(token), made.tenantId],
      [tokenHash(strangersToken), stranger.tenantId],
    ]),
    trail: quietTrail,
    cursors: cursorsWith(Buffer.alloc(32, 7)),
    maxBodyBytes: 1_000_000,
    publicBaseUrl: "https://gate.test",
    softwareVersion: "0.0.0",
    startedIso: nowIso,
    isReady: async () => true,
  };
  const app = Fastify({ logger: false });
  answerErrors(app);
  await app.register(
    async (fhir) => {
      keepBodiesAsBytes(fhir);
      requireToken(fhir, doors);
      routes(fhir, doors);
    },
    { prefix: "/fhir" },
  );
  await app.ready();
  return {
    ...made,
    app,
    strangersId: stranger.tenantId,
    headers: { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" },
    strangersHeaders: { authorization: `Bearer ${strangersToken}`, "content-type": "application/fhir+json" },
    close: async () => {
      await app.close();
      await made.close();
    },
  };
}
