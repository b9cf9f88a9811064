import fc from "fast-check";
import { Client } from "pg";
import { afterAll, beforeAll, expect, test } from "vitest";
import type { IndexValues } from "../../src/fhir/search/index-values.ts";
import { indexColumns, indexInput, indexParameterCount, indexParameters } from "../../src/store/index-columns.ts";
import { testDatabase } from "../support/database.ts";

let client: Client;
let drop: () => Promise<void>;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  client = new Client({ connectionString: made.connectionString });
  await client.connect();
});

afterAll(async () => {
  await client.end();
  await drop();
});

const hash = fc.bigInt({ min: -(2n ** 63n), max: 2n ** 63n - 1n }).map(String);
const hashes = fc.array(hash, { maxLength: 4 });
const bound = fc.oneof(fc.double({ noNaN: true }), fc.constantFrom(0, -1.5, Number.NEGATIVE_INFINITY));
const instantMs = fc.option(fc.integer({ min: -2_000_000_000_000, max: 4_000_000_000_000 }), { nil: undefined });

const quantity = fc
  .record({ key: hash, unit: hash, low: bound, high: bound, at: fc.option(fc.integer({ min: 0, max: 40 })) })
  .map(({ at, ...rest }) => ({ ...rest, ...(at === null ? {} : { place: at }) }));

const values: fc.Arbitrary<IndexValues> = fc
  .record({
    terms: hashes,
    placeTerms: hashes,
    quantities: fc.array(quantity, { maxLength: 4 }),
    patientId: fc.option(fc.stringMatching(/^[A-Za-z0-9.-]{1,12}$/), { nil: undefined }),
    startMs: instantMs,
    endMs: instantMs,
  })
  .map(({ patientId, startMs, endMs, ...lists }) => ({
    ...lists,
    strings: [],
    dates: [],
    hot: {
      ...(patientId === undefined ? {} : { patientId }),
      ...(startMs === undefined ? {} : { startMs }),
      ...(endMs === undefined ? {} : { endMs }),
    },
  }));

/** The columns as they should read, written here once more in the plainest way. */
function expected({ terms, quantities, placeTerms, hot }: IndexValues) {
  const orNull = <T>(list: readonly T[]) => (list.length === 0 ? null : list);
  const places = quantities.map(({ place }) => place ?? null);
  return [
    hot.patientId ?? null,
    hot.startMs === undefined ? null : new Date(hot.startMs),
    hot.endMs === undefined ? null : new Date(hot.endMs),
    terms,
    orNull(quantities.map(({ key }) => key)),
    orNull(quantities.map(({ unit }) => unit)),
    orNull(quantities.map(({ low }) => plainZero(low))),
    orNull(quantities.map(({ high }) => plainZero(high))),
    places.every((place) => place === null) ? null : places,
    orNull(placeTerms),
  ];
}

/** A text has no minus before JavaScript's other zero. */
function plainZero(number: number): number {
  return number === 0 ? 0 : number;
}

test("each resource gets its own piece of the lists, whatever the others have", async () => {
  const input = indexInput(2);
  const columns = indexColumns.split(",").map((column) => column.trim());
  const text = `select ${columns.map((column) => `v.${column}`).join(", ")} from (
      select i.n, ${input.values} from unnest($1::int[], ${input.arrays}) as i(n, ${input.names})) as v(n, ${indexColumns}) order by n`;
  await fc.assert(
    fc.asyncProperty(fc.array(values, { minLength: 1, maxLength: 6 }), async (indexes) => {
      const parameters = indexParameters(indexes);
      expect(parameters).toHaveLength(indexParameterCount);
      const answer = await client.query({ text, values: [indexes.map((_, n) => n), ...parameters], rowMode: "array" });
      expect(answer.rows).toEqual(indexes.map(expected));
    }),
    { numRuns: 60 },
  );
});
