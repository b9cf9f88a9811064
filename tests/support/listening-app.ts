import type { AddressInfo } from "node:net";
import { buildApp } from "../../src/app.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import { isReady } from "../../src/store/open.ts";
import { quietTrail } from "./quiet-trail.ts";
import { type TestService, testService } from "./service.ts";

/** The app behind a real port of this machine, with no public address configured: links begin with that port. */
export interface ListeningApp extends Pick<TestService, "service" | "clock" | "connectionString"> {
  /** Such as `http://127.0.0.1:40123`; FHIR is under `/fhir`. */
  readonly origin: string;
  readonly token: string;
  close(): Promise<void>;
}

/** Builds the app on a database of its own and listens on a free port. */
export async function listeningApp(nowIso: string): Promise<ListeningApp> {
  const made = await testService(nowIso);
  const token = "token-of-the-test";
  const app = await buildApp({
    service: made.service,
    tokens: new Map([[tokenHash(token), made.tenantId]]),
    trail: quietTrail,
    cursors: cursorsWith(Buffer.alloc(32, 7)),
    maxBodyBytes: 1_000_000,
    softwareVersion: "0.0.0",
    startedIso: nowIso,
    isReady: () => isReady(made.database),
  });
  await app.listen({ port: 0, host: "127.0.0.1" });
  const { port } = app.server.address() as AddressInfo;
  return {
    origin: `http://127.0.0.1:${port}`,
    token,
    service: made.service,
    clock: made.clock,
    connectionString: made.connectionString,
    close: async () => {
      await app.close();
      await made.close();
    },
  };
}
