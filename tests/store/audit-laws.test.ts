import fc from "fast-check";
import { Client } from "pg";
import { afterAll, beforeAll, expect, test } from "vitest";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { appendAudit, readAudit, verifyAudit } from "../../src/store/audit.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let owner: Client;
let drop: () => Promise<void>;
let tenants = 0;

beforeAll(async () => {
  const made = await testDatabase();
  database = openDatabase(made.connectionString);
  owner = new Client({ connectionString: made.connectionString });
  await owner.connect();
  drop = made.drop;
});

afterAll(async () => {
  await owner.end();
  await database.close();
  await drop();
});

/** Text with everything that quoting could stumble on, and nothing that has to be replaced. */
const words = fc
  .string({
    unit: fc.oneof(fc.constantFrom(..."\"'\\{},[]:; \n\t%\u2028é語😀"), fc.string({ unit: "binary", maxLength: 1 })),
  })
  .filter((text) => text.isWellFormed() && !text.includes("\u0000"));

const entries: fc.Arbitrary<AuditEntry> = fc.record(
  {
    atMs: fc.integer({ min: 0, max: Date.parse("2200-01-01") }),
    clientId: words,
    clientName: words,
    action: fc.constantFrom("C", "R", "U", "D", "E"),
    kind: fc.constantFrom("rest", "search", "export", "login"),
    outcome: fc.constantFrom("0", "4", "8", "12"),
    route: words,
    requestId: words,
    patientIds: fc.array(words, { maxLength: 4 }),
    entities: fc.array(words, { maxLength: 4 }),
    query: words,
    reason: words,
    address: words,
  },
  {
    requiredKeys: ["atMs", "clientId", "action", "kind", "outcome", "route", "requestId", "patientIds", "entities"],
  },
);

/** What somebody who may do everything could do to one field of a row, whatever stands in it. */
const changes = [
  "at = at + interval '1 microsecond'",
  "at = at - interval '1 year'",
  "client_id = client_id || 'x'",
  "action = case action when 'R' then 'U' else 'R' end",
  "kind = kind || 's'",
  "outcome = case outcome when '0' then '4' else '0' end",
  "route = '/' || route",
  "request_id = request_id || ' '",
  "patient_ids = patient_ids || 'p9'::text",
  "patient_ids = patient_ids || null::text",
  "entities = 'x'::text || entities",
  "body = body || ' '",
  "body = replace(body, '}', ',\"reason\":\"other\"}')",
  "previous_hash = sha256(previous_hash)",
  "hash = set_byte(hash, 31, get_byte(hash, 31) # 1)",
];

test("a trail of any entries, appended in any portions, is whole and reads back as it was sent", async () => {
  const portions = fc.array(fc.array(entries, { maxLength: 6 }), { minLength: 1, maxLength: 4 });
  await fc.assert(
    fc.asyncProperty(portions, async (sent) => {
      const tenantId = await trail(sent);
      const all = sent.flat();
      expect(await verify(tenantId)).toMatchObject({ ok: true, rows: all.length });
      const read = await readInTenant(database, tenantId, (session) => readAudit(session, { count: 100 }));
      expect(read.map((record) => record.entry).reverse()).toEqual(all);
    }),
    { numRuns: 60 },
  );
});

test("whatever single field is changed of whatever row, the check names that row", async () => {
  const some = fc.array(entries, { minLength: 1, maxLength: 8 });
  await fc.assert(
    fc.asyncProperty(some, fc.nat(), fc.constantFrom(...changes), async (sent, place, change) => {
      const tenantId = await trail([sent]);
      const sequence = 1 + (place % sent.length);
      await owner.query(`update audit_entry set ${change} where tenant_id = $1 and sequence = $2`, [
        tenantId,
        sequence,
      ]);
      expect(await verify(tenantId)).toMatchObject({ ok: false, sequence });
    }),
    { numRuns: 150 },
  );
});

test("rows of whatever trail put in another order no longer make a chain", async () => {
  const some = fc.array(entries, { minLength: 2, maxLength: 8 });
  await fc.assert(
    fc.asyncProperty(some, fc.nat(), fc.nat(), async (sent, one, other) => {
      const tenantId = await trail([sent]);
      const first = 1 + (one % sent.length);
      const second = 1 + ((first + (other % (sent.length - 1))) % sent.length);
      const move = "update audit_entry set sequence = $3 where tenant_id = $1 and sequence = $2";
      await owner.query(move, [tenantId, first, 1_000]);
      await owner.query(move, [tenantId, second, first]);
      await owner.query(move, [tenantId, 1_000, second]);
      expect(await verify(tenantId)).toMatchObject({ ok: false, sequence: Math.min(first, second) });
    }),
    { numRuns: 60 },
  );
});

async function trail(portions: readonly (readonly AuditEntry[])[]): Promise<number> {
  tenants += 1;
  const { tenantId } = await ensureTenant(database, `law-${tenants}`);
  for (const portion of portions) await inTenant(database, tenantId, (session) => appendAudit(session, portion));
  return tenantId;
}

function verify(tenantId: number) {
  return readInTenant(database, tenantId, (session) => verifyAudit(session));
}
