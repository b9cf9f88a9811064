import { Writable } from "node:stream";
import { pino } from "pino";
import { afterAll, beforeAll, expect, test } from "vitest";
import { buildApp } from "../../src/app.ts";
import type { Service } from "../../src/flows/service.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import { openDatabase } from "../../src/store/database.ts";
import { isReady } from "../../src/store/open.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { quietTrail } from "../support/quiet-trail.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z");
});

afterAll(() => here.close());

/** The doors before another database, and every line they log. */
async function appOn(database: Service["database"]) {
  const lines: string[] = [];
  const sink = new Writable({
    write: (chunk, _encoding, done) => {
      lines.push(String(chunk));
      done();
    },
  });
  const app = await buildApp(
    {
      service: { ...here.service, database },
      tokens: new Map([[tokenHash(here.token), here.tenantId]]),
      trail: quietTrail,
      cursors: cursorsWith(Buffer.alloc(32)),
      maxBodyBytes: 10_000,
      softwareVersion: "0.0.0",
      startedIso: "2026-04-10T09:00:00Z",
      isReady: () => isReady(database),
    },
    pino({ level: "trace" }, sink),
  );
  return { app, lines };
}

const headers = () => ({ authorization: here.headers.authorization });

test("while the database is away, requests answer 503 with Retry-After, and the process is live but not ready", async () => {
  // Nothing listens on port 1.
  const away = openDatabase("postgres://nobody@127.0.0.1:1/none");
  const { app } = await appOn(away);
  const read = await app.inject({ method: "GET", url: "/fhir/Patient/anna", headers: headers() });
  const [live, ready] = await Promise.all(["/health/live", "/health/ready"].map((url) => app.inject(url)));
  expect([read.statusCode, live?.statusCode, ready?.statusCode]).toEqual([503, 200, 503]);
  expect(Number(read.headers["retry-after"])).toBeGreaterThan(0);
  expect(read.json().resourceType).toBe("OperationOutcome");
  await app.close();
  await away.close();
});

test("a failure of ours answers 500 without its message, and the log has where it failed but no value", async () => {
  const quoting = Object.assign(new Error('invalid value: "Fernleigh"'), { detail: "Key (family)=(Fernleigh)" });
  const refusing = { connect: () => Promise.reject(quoting) };
  const broken = { pool: refusing, readPool: refusing, close: async () => undefined };
  const { app, lines } = await appOn(broken as never);
  const answer = await app.inject({ method: "GET", url: "/fhir/Patient/anna", headers: headers() });
  const [failed] = lines.filter((line) => line.includes("a request failed"));
  expect(answer.statusCode).toBe(500);
  expect(answer.json().issue[0].diagnostics).toContain(answer.headers["x-request-id"]);
  expect(answer.body).not.toContain("Fernleigh");
  expect(failed).toContain("failures.test.ts");
  expect(lines.join("")).not.toContain("Fernleigh");
  await app.close();
});

test("the log names the route, and never the address, the body or the token", async () => {
  const { app, lines } = await appOn(here.service.database);
  await app.inject({ method: "GET", url: "/fhir/Patient?name=Fernleigh", headers: headers() });
  await app.inject({ method: "GET", url: "/fhir/Patient/fernleigh-anna", headers: headers() });
  await app.inject({ method: "GET", url: "/fhir/Patient/%Fernleigh", headers: headers() });
  await app.inject({
    method: "PUT",
    url: "/fhir/Patient/x",
    headers: { ...headers(), "content-type": "application/fhir+json" },
    payload: '{"resourceType":"Patient","id":"x","name":[{"family":"Fernleigh"}],"colour":"Fernleigh"}',
  });
  const log = lines.join("");
  expect(log).toContain('"route":"/fhir/:type/:id"');
  expect(log.toLowerCase()).not.toContain("fernleigh");
  expect(log).not.toContain(here.token);
  await app.close();
});
