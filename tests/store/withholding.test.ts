import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { drizzle } from "drizzle-orm/node-postgres";
import { migrate as runMigrations } from "drizzle-orm/node-postgres/migrator";
import { Logger, runMigrations as runWorkerMigrations } from "graphile-worker";
import { Client } from "pg";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { referralTerm } from "../../src/fhir/search/reference.ts";
import { type Confinement, type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { migrate } from "../../src/store/migrate.ts";
import { readResource } from "../../src/store/resource.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { emptyDatabase, onServer, type TestDatabase, testDatabase } from "../support/database.ts";

let made: TestDatabase;
let database: Database;
let tenantId = 0;

const people = 200;
const label = '"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"R"}]';

/** People of whom every fiftieth is restricted, each with fifty observations. */
const filling = (tenant: number) => `
  insert into resource (tenant_id, type, id, version, last_updated, deleted, patient_id, terms, body)
  select ${tenant}, 'Patient', 'p' || i, 1, now(), false, 'p' || i, array[i],
    '{"resourceType":"Patient","meta":{' || case when i % 50 = 0 then '${label}' else '' end || '}}'
  from generate_series(1, ${people}) i;
  insert into resource (tenant_id, type, id, version, last_updated, deleted, patient_id, started_at, ended_at, terms, body)
  select ${tenant}, 'Observation', 'o' || i, 1, now(), false, 'p' || (i % ${people} + 1), now(), now(),
    array[1000000 + i % 500], '{"resourceType":"Observation"}'
  from generate_series(1, ${people * 50}) i`;

beforeAll(async () => {
  made = await testDatabase();
  database = openDatabase(made.connectionString);
  ({ tenantId } = await ensureTenant(database, "one"));
  await onServer(made.connectionString, async (owner) => {
    await owner.query(`select set_config('tidegate.tenant', '${tenantId}', false)`);
    await owner.query(filling(tenantId));
    await owner.query("analyze");
  });
});

afterAll(async () => {
  await database.close();
  await made.drop();
});

const uncleared: Confinement = { confidentiality: 0, consent: { deniedAs: ["1"], permittedAs: ["any", "1"], atMs: 0 } };

function planOf(text: string, confinement?: Confinement): Promise<string> {
  const seen = confinement === undefined ? database : { ...database, confinement };
  return readInTenant(seen, tenantId, async (session) => {
    const rows = await session.query<{ "QUERY PLAN": string }>(`explain (analyze, costs off, timing off) ${text}`);
    return rows.map((row) => row["QUERY PLAN"]).join("\n");
  });
}

test("the database points to a resource by the same term as the index does", async () => {
  const { rows } = await database.pool.query("select referral_term($1)::text as term", ["Patient/anna"]);
  expect(rows).toEqual([{ term: referralTerm("Patient/anna") }]);
});

describe("how confidential a body is", () => {
  const security = (...codes: string[]) =>
    codes.map((code) => ({ system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code }));
  test.each([
    [{ meta: { security: security("R") } }, 1],
    [{ meta: { security: security("N", "V", "R") } }, 2],
    [{ meta: { security: security("N", "L") } }, 0],
    [{ meta: { security: [{ system: "urn:x", code: "V" }] } }, 0],
    [{ meta: { tag: security("V") } }, 0],
    [{ meta: {}, note: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality" }, 0],
  ])("of %j is %i", async (body, level) => {
    const { rows } = await database.pool.query("select confidentiality_of($1) as level", [JSON.stringify(body)]);
    expect(rows).toEqual([{ level }]);
  });
});

describe("plans", () => {
  const ofPatient = `select body from resource r where tenant_id = 1 and not deleted and type = 'Observation' and patient_id = 'p7' order by started_at desc limit 20`;
  const byTerm = `select id from resource r where tenant_id = 1 and not deleted and type = 'Observation' and terms && array[1000077]::bigint[]`;

  test.each([
    ["a person's own", ofPatient, "resource_patient_time"],
    ["a token", byTerm, "resource_terms"],
  ])("of a search for %s go by the index, whatever is withheld", async (_what, text, index) => {
    expect(await planOf(text)).toContain(index);
    expect(await planOf(text, uncleared)).toContain(index);
  });

  test("ask nothing for a client from whom nothing is withheld", async () => {
    const plan = await planOf(ofPatient);
    expect(plan).toMatch(/Function Scan on withheld_people \w+ \(never executed\)/);
    expect(plan).not.toMatch(/Function Scan on withheld_people \w+ \(actual/);
    expect(await planOf(ofPatient, uncleared)).toMatch(/Function Scan on withheld_people \w+ \(actual/);
  });
});

test("index rows do not show without their resource", async () => {
  await inTenant(database, tenantId, (session) =>
    session.query(
      `insert into resource_string (tenant_id, key, folded, exact, type, id)
       select $1, 1, 'x', 'x', 'Patient', id from unnest(array['p50', 'p51']) as id`,
      [tenantId],
    ),
  );
  const ids = (confinement?: Confinement) =>
    readInTenant({ ...database, ...(confinement && { confinement }) }, tenantId, (session) =>
      session.query("select id from resource_string where tenant_id = $1 order by id", [tenantId]),
    );
  expect(await ids()).toEqual([{ id: "p50" }, { id: "p51" }]);
  expect(await ids(uncleared)).toEqual([{ id: "p51" }]);
});

describe("a database of before", () => {
  const all = join(import.meta.dirname, "../../db/migrations");

  /** The migrations before the one that brought the labels. */
  function before(): string {
    const folder = mkdtempSync(join(tmpdir(), "migrations-"));
    cpSync(all, folder, { recursive: true });
    const path = join(folder, "meta/_journal.json");
    const journal = JSON.parse(readFileSync(path, "utf8")) as { entries: { tag: string }[] };
    const upTo = journal.entries.findIndex(({ tag }) => tag === "0006_consent");
    writeFileSync(path, JSON.stringify({ ...journal, entries: journal.entries.slice(0, upTo) }));
    return folder;
  }

  test("has its labels in force, and its integration cleared, after migrating", async () => {
    const empty = await emptyDatabase();
    const folder = before();
    const silent = new Logger(() => () => undefined);
    await runWorkerMigrations({ connectionString: empty.connectionString, schema: "graphile_worker", logger: silent });
    const client = new Client({ connectionString: empty.connectionString });
    await client.connect();
    await runMigrations(drizzle(client), { migrationsFolder: folder });
    await client.query("insert into tenant (slug) values ('one')");
    await client.query(filling(1));
    await client.query(`insert into client (tenant_id, client_id, name, role, scopes, version, changed_at)
      select 1, role, role, role, '{}', 1, now() from unnest(array['integration', 'dashboard']) as role`);
    await client.end();
    await migrate(empty.connectionString);
    const migrated = openDatabase(empty.connectionString);
    const seen = { ...migrated, confinement: uncleared };
    const present = (id: string) => readInTenant(seen, 1, (session) => readResource(session, "Patient", id));
    expect([await present("p50"), (await present("p51"))?.id]).toEqual([undefined, "p51"]);
    const clients = await readInTenant(migrated, 1, (session) =>
      session.query("select role, confidentiality from client where tenant_id = 1 order by role"),
    );
    expect(clients).toEqual([
      { role: "dashboard", confidentiality: "N" },
      { role: "integration", confidentiality: "V" },
    ]);
    await migrated.close();
    rmSync(folder, { recursive: true });
    await empty.drop();
  });
});
