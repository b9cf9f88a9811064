import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { HistoryVersion } from "../../src/fhir/history-bundle.ts";
import type { HistoryPlace, HistoryScope } from "../../src/fhir/history-query.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { countHistory, type HistoryWanted, readHistory } from "../../src/store/history.ts";
import { saveResources } from "../../src/store/resource.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;
let tenants = 0;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString);
});

afterAll(async () => {
  await database.close();
  await drop();
});

/** A tenant of its own for one test: its history is its own as well. */
async function freshTenant(): Promise<number> {
  tenants += 1;
  return (await ensureTenant(database, `history-${tenants}`)).tenantId;
}

const index = { terms: [], strings: [], dates: [], quantities: [], placeTerms: [], hot: {} };
const second = (number: number) => Date.UTC(2026, 2, 10, 12, 0, number);

/** Writes versions in this order, each `Type/id/version@second`, a deletion with a minus sign at its end. */
async function write(tenantId: number, ...versions: string[]): Promise<void> {
  for (const text of versions) {
    const [, type = "", id = "", version, at, gone] = /^(\w+)\/([\w-]+)\/(\d+)@(\d+)(-?)$/.exec(text) ?? [];
    if (version === undefined) throw new Error(`not a version: ${text}`);
    const one = {
      type,
      id,
      version: Number(version),
      lastUpdatedMs: second(Number(at)),
      deleted: gone === "-",
      body: `{"resourceType":"${type}","id":"${id}","meta":{"versionId":"${version}"}}`,
      index,
    };
    await inTenant(database, tenantId, (session) => saveResources(session, [one]));
  }
}

const nameOf = (one: HistoryVersion) =>
  `${one.type}/${one.id}/${one.version}@${(one.lastUpdatedMs - second(0)) / 1_000}${one.deleted ? "-" : ""}`;

function page(tenantId: number, wanted: HistoryWanted, count: number, after?: HistoryPlace) {
  return readInTenant(database, tenantId, (session) =>
    readHistory(session, wanted, { count, ...(after === undefined ? {} : { after }) }),
  );
}

async function listed(tenantId: number, wanted: HistoryWanted): Promise<string[]> {
  return (await page(tenantId, wanted, 100)).versions.map(nameOf);
}

function counted(tenantId: number, wanted: HistoryWanted, most = 100): Promise<number | undefined> {
  return readInTenant(database, tenantId, (session) => countHistory(session, wanted, most));
}

/** All pages one after the other; `between` runs before each next one. */
async function paged(tenantId: number, wanted: HistoryWanted, count: number, between: () => Promise<void>) {
  const names: string[] = [];
  let after: HistoryPlace | undefined;
  for (;;) {
    const { versions, more } = await page(tenantId, wanted, count, after);
    names.push(...versions.map(nameOf));
    if (!more) return names;
    after = versions.at(-1);
    await between();
  }
}

const anna: HistoryScope = { type: "Patient", id: "anna" };
const patients: HistoryScope = { type: "Patient" };
const everything: HistoryScope = { types: ["Observation", "Patient"] };

// https://hl7.org/fhir/R4/http.html#history: "sorted with oldest versions last, and including deleted resources".
describe("what a history lists", () => {
  let tenantId: number;
  beforeAll(async () => {
    tenantId = await freshTenant();
    await write(
      tenantId,
      "Patient/anna/1@1",
      "Observation/peak/1@2",
      "Patient/bo/1@2",
      "Patient/anna/2@3-",
      "Patient/anna/3@5",
      "Device/old/1@6",
    );
  });

  test("the versions of one resource, newest first, its deletion among them", async () => {
    expect(await listed(tenantId, { scope: anna })).toEqual([
      "Patient/anna/3@5",
      "Patient/anna/2@3-",
      "Patient/anna/1@1",
    ]);
  });

  test("the versions of one type", async () => {
    expect(await listed(tenantId, { scope: patients })).toEqual([
      "Patient/anna/3@5",
      "Patient/anna/2@3-",
      "Patient/bo/1@2",
      "Patient/anna/1@1",
    ]);
  });

  test("the versions of all types that are switched on, and of no other", async () => {
    expect(await listed(tenantId, { scope: everything })).toEqual([
      "Patient/anna/3@5",
      "Patient/anna/2@3-",
      "Patient/bo/1@2",
      "Observation/peak/1@2",
      "Patient/anna/1@1",
    ]);
  });

  test("a version that follows a deletion is told from one that follows another version", async () => {
    const { versions } = await page(tenantId, { scope: anna }, 10);
    expect(versions.map((one) => one.afterDeletion)).toEqual([true, false, false]);
  });

  test("the last version of a page still knows that it follows a deletion", async () => {
    const { versions, more } = await page(tenantId, { scope: anna }, 1);
    expect([versions.map((one) => one.afterDeletion), more]).toEqual([[true], true]);
  });

  test("nothing of another tenant, in any scope", async () => {
    const stranger = await freshTenant();
    for (const scope of [anna, patients, everything]) {
      expect(await listed(stranger, { scope })).toEqual([]);
      expect(await counted(stranger, { scope })).toBe(0);
    }
  });

  // "created at or after the given instant in time" (table of parameters, _since).
  test("since an instant: the version made at that very instant is in, one made a millisecond before is not", async () => {
    expect(await listed(tenantId, { scope: anna, sinceMs: second(3) })).toEqual([
      "Patient/anna/3@5",
      "Patient/anna/2@3-",
    ]);
    expect(await listed(tenantId, { scope: anna, sinceMs: second(3) + 1 })).toEqual(["Patient/anna/3@5"]);
  });

  // "current at some point during the time period" (same table, _at): [made, replaced) meets [low, high).
  test.each([
    ["before anything was made", 0, 1, []],
    ["while the first was current", 1, 2, ["Patient/anna/1@1"]],
    ["from when the first was replaced", 3, 4, ["Patient/anna/2@3-"]],
    ["across a replacement", 2, 4, ["Patient/anna/2@3-", "Patient/anna/1@1"]],
    ["long after the last was made", 50, 60, ["Patient/anna/3@5"]],
  ])("at a period %s", async (_, low, high, expected) => {
    const wanted = { scope: anna, at: { lowMs: second(low), highMs: second(high) } };
    expect(await listed(tenantId, wanted)).toEqual(expected);
    expect(await counted(tenantId, wanted)).toBe(expected.length);
  });

  test("at a period with open ends every version was current at some time", async () => {
    const at = { lowMs: Number.NEGATIVE_INFINITY, highMs: Number.POSITIVE_INFINITY };
    expect(await listed(tenantId, { scope: patients, at })).toEqual(await listed(tenantId, { scope: patients }));
  });

  test("the count is that of all pages, and none when it is more than the most", async () => {
    for (const scope of [anna, patients, everything]) {
      expect(await counted(tenantId, { scope })).toBe((await listed(tenantId, { scope })).length);
    }
    expect(await counted(tenantId, { scope: anna }, 3)).toBe(3);
    expect(await counted(tenantId, { scope: anna }, 2)).toBeUndefined();
  });
});

// https://hl7.org/fhir/R4/http.html#history and #paging: pages together are the history as it was asked for.
describe("paging while others write", () => {
  /** Ten patients with three versions each: many made at the same instant, over the edges of pages and of both tables. */
  async function busyTenant(): Promise<number> {
    const tenantId = await freshTenant();
    const ids = Array.from({ length: 10 }, (_, i) => `p${i}`);
    await write(tenantId, ...ids.map((id) => `Patient/${id}/1@1`));
    await write(tenantId, ...ids.map((id, i) => `Patient/${id}/2@${2 + (i % 2)}${i === 4 ? "-" : ""}`));
    await write(tenantId, ...ids.slice(0, 6).map((id) => `Patient/${id}/3@3`));
    await write(tenantId, "Patient/anna/1@1", "Patient/anna/2@1", "Patient/anna/3@2", "Patient/anna/4@2");
    return tenantId;
  }

  test.each([
    ["everything", everything],
    ["one type", patients],
    ["one resource", anna],
  ])("the history of %s loses and repeats nothing", async (_, scope) => {
    for (const count of [1, 2, 3, 7]) {
      const tenantId = await busyTenant();
      const before = await listed(tenantId, { scope });
      let writes = 0;
      const others = async () => {
        // Replaces a version that was not shown yet, deletes one, and makes a new resource: all between two pages.
        writes += 1;
        const next = await nextVersions(tenantId, ["anna", `p${writes % 10}`]);
        await write(
          tenantId,
          ...next.map((one, i) => `${one}@${10 + writes}${i === 1 ? "-" : ""}`),
          `Patient/new-${writes}/1@20`,
        );
      };
      expect(await paged(tenantId, { scope }, count, others)).toEqual(before);
      expect(writes).toBe(Math.ceil(before.length / count) - 1);
    }
  });

  async function nextVersions(tenantId: number, ids: readonly string[]): Promise<string[]> {
    const rows = await readInTenant(database, tenantId, (session) =>
      session.query<{ id: string; version: number }>(
        "select id, version from resource where tenant_id = $1 and id = any($2::text[]) order by id",
        [tenantId, ids],
      ),
    );
    return rows.map((row) => `Patient/${row.id}/${row.version + 1}`);
  }

  test("versions made at the same instant are each shown once, whatever the size of a page", async () => {
    const tenantId = await freshTenant();
    const ids = Array.from({ length: 9 }, (_, i) => `Patient/t${i}/1@1`);
    await write(tenantId, ...ids, "Patient/t4/2@1", "Patient/t4/3@1", "Observation/t4/1@1");
    for (const count of [1, 2, 5]) {
      const names = await paged(tenantId, { scope: everything }, count, async () => undefined);
      expect([...names].sort()).toEqual([...ids, "Patient/t4/2@1", "Patient/t4/3@1", "Observation/t4/1@1"].sort());
      expect(names.filter((name) => name.startsWith("Patient/t4/"))).toEqual([
        "Patient/t4/3@1",
        "Patient/t4/2@1",
        "Patient/t4/1@1",
      ]);
    }
  });

  test("the versions of one resource stay in their order where a clock was set back", async () => {
    const tenantId = await freshTenant();
    await write(tenantId, "Patient/anna/1@5", "Patient/anna/2@9", "Patient/anna/3@7");
    const names = await paged(tenantId, { scope: anna }, 1, async () => undefined);
    expect(names).toEqual(["Patient/anna/3@7", "Patient/anna/2@9", "Patient/anna/1@5"]);
  });
});
