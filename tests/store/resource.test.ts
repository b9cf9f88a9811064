import { afterAll, beforeAll, expect, test } from "vitest";
import type { IndexValues } from "../../src/fhir/search/index-values.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import {
  ConcurrentWrite,
  createResources,
  lockResources,
  type NewResource,
  readMany,
  readResource,
  readVersion,
  saveResources,
} from "../../src/store/resource.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;
let here: number;
let elsewhere: number;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString);
  here = (await ensureTenant(database, "here")).tenantId;
  elsewhere = (await ensureTenant(database, "elsewhere")).tenantId;
});

afterAll(async () => {
  await database.close();
  await drop();
});

const index: IndexValues = {
  terms: ["1"],
  placeTerms: [],
  strings: [{ key: "7", folded: "anna", exact: "Anna" }],
  dates: [],
  quantities: [],
  hot: { patientId: "p1", startMs: 1_000, endMs: 2_000 },
};

function version(id: string, number: number): NewResource {
  return {
    type: "Observation",
    id,
    version: number,
    lastUpdatedMs: Date.UTC(2026, 0, number),
    deleted: false,
    body: `{"resourceType":"Observation","id":"${id}","valueDecimal":1.${number}0}`,
    index,
  };
}

test("a first version is made once and the same again changes nothing", async () => {
  const first = await inTenant(database, here, (session) => createResources(session, [version("once", 1)]));
  const second = await inTenant(database, here, (session) => createResources(session, [version("once", 1)]));
  expect([...first]).toEqual(["Observation/once"]);
  expect([...second]).toEqual([]);
});

test("a next version keeps the one before, byte for byte", async () => {
  await inTenant(database, here, (session) => createResources(session, [version("kept", 1)]));
  await inTenant(database, here, (session) => saveResources(session, [version("kept", 2)]));
  const [current, before] = await readInTenant(database, here, async (session) => [
    await readResource(session, "Observation", "kept"),
    await readVersion(session, "Observation", "kept", 1),
  ]);
  expect(current?.body).toBe(version("kept", 2).body);
  expect(before?.body).toBe(version("kept", 1).body);
  expect(before?.lastUpdatedMs).toBe(Date.UTC(2026, 0, 1));
});

test("a version that does not follow the current one is refused and leaves nothing behind", async () => {
  await inTenant(database, here, (session) => createResources(session, [version("raced", 1)]));
  await inTenant(database, here, (session) => saveResources(session, [version("raced", 2)]));
  const late = inTenant(database, here, (session) => saveResources(session, [version("raced", 2)]));
  await expect(late).rejects.toBeInstanceOf(ConcurrentWrite);
  const found = await readInTenant(database, here, (session) => readMany(session, ["Observation/raced"]));
  expect(found.map((one) => one.version)).toEqual([2]);
});

test("of two writers that lock the same resource the second sees what the first wrote", async () => {
  await inTenant(database, here, (session) => createResources(session, [version("queue", 1)]));
  const bump = () =>
    inTenant(database, here, async (session) => {
      const [current] = await lockResources(session, ["Observation/queue"]);
      await saveResources(session, [version("queue", (current?.version ?? 0) + 1)]);
    });
  await Promise.all([bump(), bump(), bump(), bump()]);
  const found = await readInTenant(database, here, (session) => readResource(session, "Observation", "queue"));
  expect(found?.version).toBe(5);
});

test("another tenant sees nothing of it", async () => {
  await inTenant(database, here, (session) => createResources(session, [version("ours", 1)]));
  const found = await readInTenant(database, elsewhere, (session) => readResource(session, "Observation", "ours"));
  expect(found).toBeUndefined();
});

test("the service role may neither delete replaced versions nor change them", async () => {
  const attempts = [
    "delete from resource_version",
    "update resource_version set body = ''",
    "delete from received_upload",
  ];
  for (const text of attempts) {
    await expect(inTenant(database, here, (session) => session.query(text))).rejects.toMatchObject({ code: "42501" });
  }
});
