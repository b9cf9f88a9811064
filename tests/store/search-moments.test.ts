import { afterAll, beforeAll, expect, test } from "vitest";
import { rangeMatches } from "../../src/fhir/search/compare.ts";
import type { Prefix } from "../../src/fhir/search/query.ts";
import { inTenant } from "../../src/store/database.ts";
import { createResources } from "../../src/store/resource.ts";
import { openSearchWorld, type SearchWorld, stored } from "./search-world.ts";

let world: SearchWorld;

beforeAll(async () => {
  world = await openSearchWorld();
});

afterAll(() => world.close());

const prefixes: readonly Prefix[] = ["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"];
const start = Date.UTC(2026, 2, 1);

// The prefixes of https://hl7.org/fhir/R4/search.html#prefix, over moments that stand for their whole millisecond.
test("every prefix finds the same moments of change in the database as in memory", async () => {
  const { tenantId, page } = await world.tenant("moments");
  const rows = [-2, -1, 0, 1, 2, 3, 4].map((ms, i) => ({
    ...stored(world.definitions, { resourceType: "Patient", id: `m${i}` }),
    lastUpdatedMs: start + ms,
  }));
  await inTenant(world.database, tenantId, (session) => createResources(session, rows));
  for (const prefix of prefixes) {
    for (const [low, high] of [
      [start, start + 1],
      [start, start + 2],
      [start - 1, start + 4],
    ] as const) {
      const clause = { kind: "date", column: "last-updated", anyOf: [{ prefix, low, high }] } as const;
      const found = await page({
        branches: [{ types: ["Patient"], clauses: [clause] }],
        sort: [{ by: "id", descending: false }],
        count: 100,
        total: "none",
        inclusions: [],
        used: [],
        ignored: [],
      });
      const expected = rows.filter(({ lastUpdatedMs }) =>
        rangeMatches({ prefix, low, high }, lastUpdatedMs, lastUpdatedMs + 1),
      );
      expect(
        found.matches.map((one) => one.id),
        `${prefix} ${low - start} ${high - start}`,
      ).toEqual(expected.map((one) => one.id));
    }
  }
});
