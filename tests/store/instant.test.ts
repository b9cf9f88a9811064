import fc from "fast-check";
import { Client } from "pg";
import { afterAll, beforeAll, expect, test } from "vitest";
import { readInstant } from "../../src/store/connection-pool.ts";
import { testDatabase } from "../support/database.ts";

let client: Client;
let drop: () => Promise<void>;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  client = new Client({ connectionString: made.connectionString, options: "-c timezone=UTC -c datestyle=ISO" });
  await client.connect();
});

afterAll(async () => {
  await client.end();
  await drop();
});

test("whatever instant the server writes is read as it computes it itself, whole milliseconds", async () => {
  // From year 1 on: before it no record of ours can lie, and JavaScript's own texts have another form.
  const micros = fc.bigInt({ min: -62_135_596_800_000_000n, max: 253_402_300_799_999_999n });
  const recent = fc.bigInt({ min: 0n, max: 4_102_444_800_000_000n });
  await fc.assert(
    fc.asyncProperty(fc.array(fc.oneof(recent, micros), { minLength: 1, maxLength: 60 }), async (instants) => {
      const { rows } = await client.query({
        text: `select (timestamptz 'epoch' + make_interval(secs => m / 1000000) + (m % 1000000) * interval '1 us')::text as text
          from unnest($1::bigint[]) as m`,
        values: [instants.map(String)],
      });
      const read = (rows as { text: string }[]).map(({ text }) => readInstant(text));
      expect(read).toEqual(instants.map((one) => Number(floored(one))));
    }),
    { numRuns: 40 },
  );
});

/** Milliseconds, rounded towards the past. */
function floored(micros: bigint): bigint {
  const whole = micros / 1_000n;
  return micros % 1_000n < 0n ? whole - 1n : whole;
}

test.each([
  ["infinity", Number.POSITIVE_INFINITY],
  ["-infinity", Number.NEGATIVE_INFINITY],
  ["2026-03-01 10:00:00+00", Date.UTC(2026, 2, 1, 10)],
  ["2026-03-01 10:00:00.2+00", Date.UTC(2026, 2, 1, 10, 0, 0, 200)],
  ["2026-03-01 10:00:00.123999+00", Date.UTC(2026, 2, 1, 10, 0, 0, 123)],
  ["0099-12-31 23:59:59+00", Date.parse("0099-12-31T23:59:59Z")],
])("%s", (text, instant) => {
  expect(readInstant(text)).toBe(instant);
});
