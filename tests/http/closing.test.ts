import { afterAll, beforeAll, expect, test } from "vitest";
import { buildApp, buildWorkerDoor } from "../../src/app.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import type { Closing } from "../../src/http/closing.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { quietTrail } from "../support/quiet-trail.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z");
});

afterAll(() => here.close());

async function answersAt(stage: Closing["stage"]) {
  const closing: Closing = { stage };
  const app = await buildApp({
    service: here.service,
    tokens: new Map([[tokenHash(here.token), here.tenantId]]),
    trail: quietTrail,
    cursors: cursorsWith(Buffer.alloc(32)),
    maxBodyBytes: 10_000,
    softwareVersion: "0.0.0",
    startedIso: "2026-04-10T09:00:00Z",
    isReady: async () => true,
    closing,
  });
  const headers = { authorization: here.headers.authorization };
  const [asked, live, ready] = [
    await app.inject({ url: "/fhir/Patient?_count=0", headers }),
    await app.inject("/health/live"),
    await app.inject("/health/ready"),
  ];
  await app.close();
  return { statuses: [asked, live, ready].map((one) => one.statusCode), asked };
}

test("a process that stays answers, and keeps connections", async () => {
  const { statuses, asked } = await answersAt("open");
  expect(statuses).toEqual([200, 200, 200]);
  expect(asked.headers.connection).not.toBe("close");
});

test("one that is going answers whoever comes, is not ready, and ends each connection with the answer (RFC 9112, 9.6)", async () => {
  const { statuses, asked } = await answersAt("finishing");
  expect(statuses).toEqual([200, 200, 503]);
  expect(asked.headers.connection).toBe("close");
});

test("one that is about to stop listening sends everybody elsewhere, before anything is done", async () => {
  const { statuses, asked } = await answersAt("closed");
  expect(statuses).toEqual([503, 200, 503]);
  expect(asked.headers.connection).toBe("close");
  expect(Number(asked.headers["retry-after"])).toBeGreaterThan(0);
  expect(asked.json()).toMatchObject({ resourceType: "OperationOutcome" });
  expect(asked.json().issue[0].diagnostics).toContain("Send it again");
});

test("a worker's door knows nothing but its health", async () => {
  const closing: Closing = { stage: "open" };
  const app = await buildWorkerDoor({ isReady: async () => true, closing });
  const ask = async (url: string) => (await app.inject(url)).statusCode;
  expect([await ask("/health/ready"), await ask("/health/live"), await ask("/fhir/metadata")]).toEqual([200, 200, 404]);
  closing.stage = "finishing";
  expect(await ask("/health/ready")).toBe(503);
  await app.close();
});
