import { buildApp } from "../../src/app.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { registerClient } from "../../src/flows/client.ts";
import { newToken, secretHash } from "../../src/flows/grant.ts";
import { openTrail } from "../../src/flows/trail.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import type { Doors } from "../../src/http/doors.ts";
import { issueToken } from "../../src/store/access-token.ts";
import { type Database, inTenant, openDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { keyPair } from "../support/client.ts";
import { quietTrail } from "../support/quiet-trail.ts";
import { benchService } from "./service.ts";

type Row = Record<string, string | number>;

const [people, clients, seconds] = [500, 8, 4];

/**
 * What letting somebody in costs: reads by id and updates through the door by eight clients at once, with a configured token
 * and with an issued one, with the trail and without, beside the same select by primary key through the same pool.
 */
export async function measureAccess(connectionString: string): Promise<readonly Row[]> {
  const database = openDatabase(connectionString);
  try {
    return await measure(database);
  } finally {
    await database.close();
  }
}

async function measure(database: Database): Promise<readonly Row[]> {
  const service = benchService(database);
  const { tenantId } = await ensureTenant(database, "access");
  for (let n = 0; n < people; n += 1) {
    const text = JSON.stringify(patientResource({ id: `p${n}`, family: `Oak${n}`, given: "Anna" }));
    const made = await updateResource(service, tenantId, { type: "Patient", id: `p${n}` }, text);
    if (!made.ok) throw new Error(JSON.stringify(made.refusals));
  }
  const trail = openTrail(service, "bench");
  const configured = "bench";
  const issued = await issuedToken(database, tenantId);
  const app = (kept: Doors["trail"]) =>
    buildApp({
      service,
      trail: kept,
      tokens: new Map([[tokenHash(configured), tenantId]]),
      cursors: cursorsWith(Buffer.alloc(32)),
      maxBodyBytes: 1_000_000,
      publicBaseUrl: "https://bench.test",
      softwareVersion: "",
      startedIso: "",
      isReady: async () => true,
    });
  const [audited, quiet] = [await app(trail), await app(quietTrail)];
  const read = (door: typeof audited, token: string) => async (n: number) => {
    const answer = await door.inject({
      url: `/fhir/Patient/p${n % people}`,
      headers: { authorization: `Bearer ${token}` },
    });
    if (answer.statusCode !== 200) throw new Error(answer.body);
  };
  const update = (door: typeof audited) => async (n: number) => {
    const answer = await door.inject({
      method: "PUT",
      url: `/fhir/Patient/p${n % people}`,
      headers: { authorization: `Bearer ${configured}`, "content-type": "application/fhir+json" },
      payload: JSON.stringify(patientResource({ id: `p${n % people}`, family: `Oak${n}`, given: "Anna" })),
    });
    if (answer.statusCode !== 200) throw new Error(answer.body);
  };
  const select = "select body from resource where tenant_id = $1 and type = 'Patient' and id = $2";
  const works: [string, (n: number) => Promise<unknown>][] = [
    [
      "select by primary key, one statement",
      (n) => database.pool.query({ name: "raw", text: select, values: [tenantId, `p${n % people}`] }),
    ],
    ["select of a tenant (begin, set, select, commit)", (n) => selectOf(database, tenantId, select, `p${n % people}`)],
    ["read, configured token, no trail", read(quiet, configured)],
    ["read, configured token, trail", read(audited, configured)],
    ["read, issued token, trail", read(audited, issued)],
    ["update, no trail", update(quiet)],
    ["update, trail", update(audited)],
  ];
  const rows: Row[] = [];
  for (const [name, work] of works) rows.push({ work: name, ...(await timed(work)) });
  await Promise.all([audited.close(), quiet.close()]);
  await trail.close();
  return rows;
}

async function selectOf(database: Database, tenantId: number, text: string, id: string): Promise<void> {
  await inTenant(database, tenantId, (session) => session.query(text, [tenantId, id]));
}

async function issuedToken(database: Database, tenantId: number): Promise<string> {
  const service = benchService(database);
  const { jwk } = await keyPair();
  const made = await registerClient(service, tenantId, { name: "Bench", role: "dashboard", jwks: { keys: [jwk] } });
  if (!made.ok) throw new Error(JSON.stringify(made.refusals));
  const token = newToken(tenantId);
  const nowMs = Date.now();
  await inTenant(database, tenantId, (session) =>
    issueToken(session, {
      clientId: made.value.clientId,
      tokenHash: secretHash(token),
      scopes: made.value.scopes,
      issuedMs: nowMs,
      expiresMs: nowMs + 3_600_000,
      assertionHash: secretHash("bench"),
      assertionExpiresMs: nowMs + 300_000,
    }),
  );
  return token;
}

/** Runs the work by eight at once for some seconds, after one to warm up: how many a second, and how long each took. */
async function timed(work: (n: number) => Promise<unknown>): Promise<Row> {
  const took: number[] = [];
  let n = 0;
  const until = async (endMs: number, counts: boolean) => {
    while (performance.now() < endMs) {
      n += 1;
      const start = performance.now();
      await work(n);
      if (counts) took.push(performance.now() - start);
    }
  };
  const run = (ms: number, counts: boolean) =>
    Promise.all(Array.from({ length: clients }, () => until(performance.now() + ms, counts)));
  await run(1_000, false);
  await run(seconds * 1_000, true);
  took.sort((a, b) => a - b);
  const at = (share: number) => Number((took[Math.floor(took.length * share)] ?? Number.NaN).toFixed(2));
  return { "a second": Math.round(took.length / seconds), "median ms": at(0.5), "p99 ms": at(0.99) };
}
