import { afterAll, beforeAll, expect, test } from "vitest";
import { rangeMatches } from "../../src/fhir/search/compare.ts";
import type { Prefix } from "../../src/fhir/search/query.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { createResources } from "../../src/store/resource.ts";
import { searchResources } from "../../src/store/search.ts";
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

const prefixes: readonly Prefix[] = ["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"];
const start = Date.UTC(2026, 2, 1);

// The prefixes of https://hl7.org/fhir/R4/search.html#prefix, over moments that stand for their whole millisecond.
test("every prefix finds the same moments of change in the database as in memory", async () => {
  const { tenantId } = await ensureTenant(database, "moments");
  const moments = [-2, -1, 0, 1, 2, 3, 4].map((ms) => start + ms);
  const index = { terms: [], strings: [], dates: [], quantities: [], placeTerms: [], hot: {} };
  const rows = moments.map((lastUpdatedMs, i) => ({
    type: "Patient",
    id: `m${i}`,
    version: 1,
    lastUpdatedMs,
    deleted: false,
    body: "{}",
    index,
  }));
  await inTenant(database, tenantId, (session) => createResources(session, rows));
  for (const prefix of prefixes) {
    for (const [low, high] of [
      [start, start + 1],
      [start, start + 2],
      [start - 1, start + 4],
    ] as const) {
      const clause = { kind: "date", column: "last-updated", anyOf: [{ prefix, low, high }] } as const;
      const page = await readInTenant(database, tenantId, (session) =>
        searchResources(session, {
          branches: [{ types: ["Patient"], clauses: [clause] }],
          sort: [{ by: "id", descending: false }],
          count: 100,
          total: "none",
          inclusions: [],
          used: [],
          ignored: [],
        }),
      );
      const expected = rows.filter((row) =>
        rangeMatches({ prefix, low, high }, row.lastUpdatedMs, row.lastUpdatedMs + 1),
      );
      expect(
        page.matches.map((one) => one.id),
        `${prefix} ${low - start} ${high - start}`,
      ).toEqual(expected.map((one) => one.id));
    }
  }
});
