import { afterAll, beforeAll, expect, test } from "vitest";
import type { IndexValues } from "../../src/fhir/search/index-values.ts";
import type { SearchQuery, SortKey } from "../../src/fhir/search/query.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { createResources, type NewResource } from "../../src/store/resource.ts";
import { type SearchMatch, searchResources } from "../../src/store/search.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString);
});

afterAll(async () => {
  await database.close();
  await drop();
});

const dayMs = 86_400_000;
const pageSize = 3;

/** A row whose time, name and date all rank alike; without a rank it has none of the three. */
function row(id: string, rank: number | undefined): NewResource {
  const index: IndexValues = {
    terms: [],
    placeTerms: [],
    strings: rank === undefined ? [] : [{ key: "7", folded: `name ${rank}`, exact: `Name ${rank}` }],
    dates: rank === undefined ? [] : [{ key: "8", lowMs: rank * dayMs, highMs: (rank + 1) * dayMs }],
    quantities: [],
    hot: rank === undefined ? {} : { startMs: rank * dayMs, endMs: (rank + 1) * dayMs },
  };
  const body = JSON.stringify({ resourceType: "Observation", id });
  return {
    type: "Observation",
    id,
    version: 1,
    lastUpdatedMs: (rank ?? 0) * dayMs,
    deleted: false,
    body,
    index,
  };
}

// Ties over the edges of pages, and a third of the rows without a value.
const ranks = [2, 2, 2, 2, 2, 5, 5, 1, undefined, undefined, undefined, undefined, 9, 5, 2] as const;
const stored = ranks.map((rank, i) => ({ id: `m${10 + i}`, rank }));

function query(by: SortKey["by"], descending: boolean, after?: SearchMatch["sortValues"]): SearchQuery {
  return {
    branches: [{ types: ["Observation"], clauses: [] }],
    sort: [
      { by, descending },
      { by: "id", descending: false },
    ],
    count: pageSize,
    total: "none",
    inclusions: [],
    used: [],
    ignored: [],
    ...(after === undefined ? {} : { after }),
  };
}

/** Every page from first to last; `between` runs after each. */
async function pagesOf(
  tenantId: number,
  by: SortKey["by"],
  descending: boolean,
  between: (page: number) => Promise<unknown>,
): Promise<string[]> {
  const ids: string[] = [];
  let after: SearchMatch["sortValues"] | undefined;
  for (let page = 0; page < 50; page += 1) {
    const asked = query(by, descending, after);
    const found = await readInTenant(database, tenantId, (session) => searchResources(session, asked));
    ids.push(...found.matches.map((match) => match.id));
    if (!found.more) return ids;
    expect(found.matches).toHaveLength(pageSize);
    after = found.matches.at(-1)?.sortValues;
    await between(page);
  }
  throw new Error("the pages do not end");
}

function save(tenantId: number, rows: readonly NewResource[]) {
  return inTenant(database, tenantId, (session) => createResources(session, rows));
}

const sorts: readonly (readonly [name: string, by: SortKey["by"]])[] = [
  ["the main time", "hot-date"],
  ["a date", { dateKeys: ["8"] }],
  ["a name", { stringKeys: ["7"] }],
];
const directions = [
  ["upwards", false],
  ["downwards", true],
] as const;
const cases = sorts.flatMap(([name, by]) =>
  directions.map(([direction, descending]) => [name, direction, by, descending] as const),
);

/** The order asked for, by hand: rows without a value last whichever way it goes (our choice; R4 names none), ties by id. */
function inOrder(descending: boolean): string[] {
  const sign = descending ? -1 : 1;
  const valued = stored.filter((one) => one.rank !== undefined);
  const missing = stored.filter((one) => one.rank === undefined);
  return [...valued.sort((a, b) => sign * ((a.rank ?? 0) - (b.rank ?? 0)) || a.id.localeCompare(b.id)), ...missing].map(
    (one) => one.id,
  );
}

// https://hl7.org/fhir/R4/search.html#sort and https://hl7.org/fhir/R4/http.html#paging
test.each(cases)("pages by %s %s come in order, ties by id, missing values last", async (name, way, by, descending) => {
  const { tenantId } = await ensureTenant(database, `order ${name} ${way}`);
  await save(
    tenantId,
    stored.map(({ id, rank }) => row(id, rank)),
  );
  expect(await pagesOf(tenantId, by, descending, async () => undefined)).toEqual(inOrder(descending));
});

// http.html#paging lets a server choose between a snapshot and the state of the moment; we promise the middle: what was
// there at the first page is told exactly once, and nothing is told twice.
test.each(cases)(
  "pages by %s %s stay whole and without repeats while rows arrive",
  async (name, way, by, descending) => {
    const { tenantId } = await ensureTenant(database, `arrivals ${name} ${way}`);
    await save(
      tenantId,
      stored.map(({ id, rank }) => row(id, rank)),
    );
    let arrived = 0;
    const ids = await pagesOf(tenantId, by, descending, (page) => {
      // Before and after every row there is, in the middle of ties, and without a value; ids on both sides of the others.
      const rows = [0, 2, 5, 99, undefined].flatMap((rank) =>
        page < 4 ? [row(`a-${page}-${rank}`, rank), row(`z-${page}-${rank}`, rank)] : [],
      );
      arrived += rows.length;
      return save(tenantId, rows);
    });
    expect(arrived).toBe(40);
    expect(ids.filter((id) => id.startsWith("m"))).toEqual(inOrder(descending));
    expect(new Set(ids).size).toBe(ids.length);
  },
);

test("the time of change pages in both directions as well", async () => {
  const { tenantId } = await ensureTenant(database, "changed");
  await save(
    tenantId,
    stored.map(({ id, rank }) => row(id, rank)),
  );
  for (const [, descending] of directions) {
    const sign = descending ? -1 : 1;
    const expected = [...stored].sort((a, b) => sign * ((a.rank ?? 0) - (b.rank ?? 0)) || a.id.localeCompare(b.id));
    const ids = await pagesOf(tenantId, "last-updated", descending, async () => undefined);
    expect(ids).toEqual(expected.map((one) => one.id));
  }
});

test("a page that holds all there is says that no other follows", async () => {
  const { tenantId } = await ensureTenant(database, "exactly one page");
  await save(tenantId, [row("a", 1), row("b", 2), row("c", undefined)]);
  const found = await readInTenant(database, tenantId, (session) => searchResources(session, query("hot-date", false)));
  expect(found.matches.map((match) => match.id)).toEqual(["a", "b", "c"]);
  expect(found.more).toBe(false);
});

// https://hl7.org/fhir/R4/search.html#count: a count of 0 answers the number of matches alone.
test("a page of nothing still tells how many there are", async () => {
  const { tenantId } = await ensureTenant(database, "counted");
  await save(tenantId, [row("a", 1), row("b", 2), { ...row("c", 3), deleted: true }]);
  const found = await readInTenant(database, tenantId, (session) =>
    searchResources(session, { ...query("id", false), count: 0, total: "accurate" }),
  );
  expect(found).toEqual({ matches: [], more: false, total: 2 });
});
