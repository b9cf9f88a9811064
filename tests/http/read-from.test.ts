import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { buildApp } from "../../src/app.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import { routeNeeds } from "../../src/http/needs.ts";
import { mayReadReplica } from "../../src/http/read-from.ts";
import { type Database, openDatabase } from "../../src/store/database.ts";
import type { Replica } from "../../src/store/replica.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { quietTrail } from "../support/quiet-trail.ts";
import { put } from "../support/service.ts";

let here: TestApp;
/** The same rows on connections that refuse to write, as a replica does. */
let readOnly: Database;
let lagMs: number | undefined;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z");
  const url = new URL(here.connectionString);
  readOnly = openDatabase(url.href);
  readOnly.pool.on("connect", (client) => void client.query("set default_transaction_read_only = on"));
  await put(here, { resourceType: "Patient", id: "p" });
});

afterAll(async () => {
  await readOnly.close();
  await here.close();
});

const replica = (pool = readOnly.pool): Replica => ({
  lagMs: () => lagMs,
  reading: (primary) => ({ database: { ...primary, pool }, isUsed: () => true }),
  close: async () => undefined,
});

async function appWith(its: Replica) {
  return buildApp({
    service: here.service,
    replica: its,
    tokens: new Map([[tokenHash(here.token), here.tenantId]]),
    trail: quietTrail,
    cursors: cursorsWith(Buffer.alloc(32)),
    maxBodyBytes: 10_000,
    softwareVersion: "0.0.0",
    startedIso: "2026-04-10T09:00:00Z",
    isReady: async () => true,
  });
}

describe("with a replica that is not late", () => {
  const paths: [method: "GET" | "HEAD" | "POST", url: string][] = [
    ["GET", "/fhir/Patient/p"],
    ["HEAD", "/fhir/Patient/p"],
    ["GET", "/fhir/Patient"],
    ["POST", "/fhir/Patient/_search"],
    ["GET", "/fhir?_type=Patient"],
    ["GET", "/fhir/Patient/p/Observation"],
    ["GET", "/fhir/_history"],
    ["GET", "/fhir/Patient/_history"],
    ["GET", "/fhir/Patient/p/_history"],
    ["GET", "/fhir/Patient/p/_history/1"],
    ["GET", "/fhir/Patient/p/$everything"],
    ["GET", "/fhir/Observation/$lastn?patient=p"],
    ["GET", "/api/v1/caseload"],
    ["GET", "/api/v1/parts/forecast"],
    ["GET", "/api/v1/releases"],
    ["GET", "/api/v1/patients/p/days?start=2026-04-01&end=2026-04-05"],
    ["GET", "/api/v1/patients/p/parts"],
    ["GET", "/api/v1/patients/p/review?asOf=2026-04-09T00:00:00Z"],
    ["GET", "/api/v1/patients/p/explain"],
  ];

  test.each(paths)("%s %s is answered from it, and says so", async (method, url) => {
    lagMs = 1_240;
    const app = await appWith(replica());
    const headers = method === "POST" ? { "content-type": "application/x-www-form-urlencoded" } : {};
    const answer = await app.inject({
      method,
      url,
      headers: { ...headers, authorization: here.headers.authorization },
    });
    expect(answer.statusCode, answer.body).toBeLessThan(500);
    expect(answer.headers["tidegate-read-from"]).toBe("replica; lag=1.2");
    await app.close();
  });

  test("who asks for the newest, who writes, and who looks at what they wrote, is answered from the primary", async () => {
    lagMs = 0;
    const app = await appWith(replica());
    const { authorization } = here.headers;
    const json = { authorization, "content-type": "application/fhir+json" };
    const answers = [
      await app.inject({ url: "/fhir/Patient/p", headers: { authorization, "cache-control": "no-cache" } }),
      await app.inject({ url: "/api/v1/uploads", headers: { authorization } }),
      await app.inject({ url: "/api/v1/thresholds", headers: { authorization } }),
      await app.inject({ url: "/fhir/AuditEvent", headers: { authorization } }),
      await app.inject({ method: "POST", url: "/fhir/Patient", headers: json, payload: '{"resourceType":"Patient"}' }),
    ];
    expect(answers.map((one) => one.statusCode)).toEqual([200, 200, 200, 200, 201]);
    expect(answers.map((one) => one.headers["tidegate-read-from"])).toEqual(answers.map(() => undefined));
    await app.close();
  });

  test("no route that writes is among those that may be old", () => {
    const old = Object.keys(routeNeeds).filter((line) => {
      const [method = "", route = ""] = line.split(" ");
      return mayReadReplica(method, route);
    });
    expect(old.length).toBeGreaterThan(20);
    const mayWrite = old.filter((line) => routeNeeds[line]?.some((need) => /\.[a-z]*[cud]/.test(need)));
    expect(mayWrite).toEqual([]);
    expect(
      old.filter(
        (line) => line.startsWith("POST") && !/_search$|\$everything$|\$lastn$|\$evaluate-measure$/.test(line),
      ),
    ).toEqual([]);
  });
});

test("with one that is late or away everything is answered from the primary", async () => {
  lagMs = undefined;
  const app = await appWith(replica());
  const answer = await app.inject({ url: "/fhir/Patient/p", headers: { authorization: here.headers.authorization } });
  expect([answer.statusCode, answer.headers["tidegate-read-from"]]).toEqual([200, undefined]);
  await app.close();
});
