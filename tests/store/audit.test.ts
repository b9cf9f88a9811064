import { Client } from "pg";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
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

function entry(over: Partial<AuditEntry> = {}): AuditEntry {
  return {
    atMs: Date.parse("2026-06-10T08:30:00.125Z"),
    clientId: "ward-app",
    clientName: "Ward app",
    action: "R",
    kind: "rest",
    outcome: "0",
    route: "/fhir/:type/:id",
    requestId: "req-1",
    patientIds: ["p1"],
    entities: ["Patient/p1", "Observation/o1"],
    address: "192.0.2.7",
    ...over,
  };
}

/** A tenant of its own with a trail of these entries. */
async function trail(entries: readonly AuditEntry[]): Promise<number> {
  tenants += 1;
  const { tenantId } = await ensureTenant(database, `trail-${tenants}`);
  await append(tenantId, entries);
  return tenantId;
}

const append = (tenantId: number, entries: readonly AuditEntry[]) =>
  inTenant(database, tenantId, (session) => appendAudit(session, entries));
const verify = (tenantId: number, ...rest: [from?: number, noted?: { sequence: number; hash: string }]) =>
  readInTenant(database, tenantId, (session) => verifyAudit(session, ...rest));

const five = [1, 2, 3, 4, 5].map((n) => entry({ requestId: `req-${n}` }));

describe("the chain", () => {
  test("every appended entry is read back as it was, newest first", async () => {
    const sent = [
      entry({ kind: "search", query: "name=O'Neil&_count=20", patientIds: [], entities: [] }),
      entry({ kind: "break-glass", action: "E", reason: 'Found without breath, "Ω" {1,2}', patientIds: ["p2", "a,b"] }),
    ];
    const tenantId = await trail(sent);
    const records = await readInTenant(database, tenantId, (session) => readAudit(session, { count: 10 }));
    expect(records).toEqual([
      { sequence: 2, entry: sent[1] },
      { sequence: 1, entry: sent[0] },
    ]);
  });

  test("what no table can keep is replaced, and what is longer than anybody meant is cut", async () => {
    const tenantId = await trail([entry({ clientId: "a\u0000b\uD800c", query: "q".repeat(20_000) })]);
    const [record] = await readInTenant(database, tenantId, (session) => readAudit(session, { count: 1 }));
    expect(record?.entry.clientId).toBe("a\uFFFDb\uFFFDc");
    expect(record?.entry.query).toHaveLength(16_385);
    expect(await verify(tenantId)).toMatchObject({ ok: true });
  });

  test("the hash is SHA-256 over the one before it and the row's own text (FIPS 180-4, by PostgreSQL's own function)", async () => {
    const tenantId = await trail(five);
    const { rows } = await owner.query(
      `select sequence, hash = sha256(previous_hash || convert_to(tenant_id || ':' || sequence || ':' || $2, 'UTF8')) as holds
       from audit_entry where tenant_id = $1 and sequence = 2`,
      [
        tenantId,
        '["1781080200125","ward-app","R","rest","0","/fhir/:type/:id","req-2",["p1"],["Patient/p1","Observation/o1"],' +
          '"{\\"clientName\\":\\"Ward app\\",\\"address\\":\\"192.0.2.7\\"}"]',
      ],
    );
    expect(rows).toEqual([{ sequence: "2", holds: true }]);
  });

  test("an empty trail is whole, and appending nothing leaves it so", async () => {
    const tenantId = await trail([]);
    expect(await verify(tenantId)).toEqual({ ok: true, rows: 0, head: { sequence: 0, hash: "" } });
  });

  test("an append that is rolled back leaves no gap", async () => {
    const tenantId = await trail(five);
    const failed = inTenant(database, tenantId, async (session) => {
      await appendAudit(session, five);
      throw new Error("the write failed");
    });
    await expect(failed).rejects.toThrow("the write failed");
    expect(await append(tenantId, [entry()])).toBe(6);
    expect(await verify(tenantId)).toMatchObject({ ok: true, rows: 6 });
  });

  test("appends on eight connections at once make one unbroken chain", async () => {
    const tenantId = await trail([]);
    const writers = Array.from({ length: 60 }, (_, n) => append(tenantId, five.slice(0, 1 + (n % 5))));
    await Promise.all(writers);
    expect(await verify(tenantId)).toMatchObject({ ok: true, rows: 180, head: { sequence: 180 } });
  });

  test("two tenants have chains of their own", async () => {
    const [one, two] = [await trail(five), await trail([entry()])];
    await append(one, [entry()]);
    expect(await verify(one)).toMatchObject({ ok: true, rows: 6 });
    expect(await verify(two)).toMatchObject({ ok: true, rows: 1 });
    expect(await readInTenant(database, two, (session) => readAudit(session, { count: 10 }))).toHaveLength(1);
  });

  test("a trail longer than a batch is checked to its end, and may be checked from the middle on", async () => {
    const tenantId = await trail(Array.from({ length: 2_100 }, () => entry()));
    expect(await verify(tenantId)).toMatchObject({ ok: true, rows: 2_100 });
    expect(await verify(tenantId, 1_500)).toMatchObject({ ok: true, rows: 601, head: { sequence: 2_100 } });
    expect(await verify(tenantId, 2_200)).toEqual({ ok: false, sequence: 2_199, fault: "sequence missing" });
    await owner.query("update audit_entry set outcome = '8' where tenant_id = $1 and sequence = 2050", [tenantId]);
    expect(await verify(tenantId, 1_500)).toEqual({ ok: false, sequence: 2_050, fault: "hash differs" });
  });
});

describe("reading", () => {
  test("by patient, by client, and page by page", async () => {
    const tenantId = await trail([
      entry({ patientIds: ["p1", "p2"] }),
      entry({ patientIds: ["p2"], clientId: "hub" }),
      entry({ patientIds: ["p1"] }),
      entry({ patientIds: [] }),
    ]);
    const read = (question: Omit<Parameters<typeof readAudit>[1], "count">, count = 10) =>
      readInTenant(database, tenantId, async (session) =>
        (await readAudit(session, { ...question, count })).map((record) => record.sequence),
      );
    expect(await read({ patientId: "p1" })).toEqual([3, 1]);
    expect(await read({ patientId: "p2" })).toEqual([2, 1]);
    expect(await read({ clientId: "ward-app" }, 2)).toEqual([4, 3]);
    expect(await read({ clientId: "ward-app", beforeSequence: 3 }, 2)).toEqual([1]);
    expect(await read({ clientId: "hub", patientId: "p1" })).toEqual([]);
  });
});

describe("a change by somebody who may do everything in the database is found", () => {
  const columnOf = (assignment: string) => assignment.slice(0, assignment.indexOf(" ="));
  const changes: [assignment: string, fault: string][] = [
    ["at = at + interval '1 microsecond'", "hash differs"],
    ["at = 'infinity'", "hash differs"],
    ["client_id = 'x'", "hash differs"],
    ["action = 'D'", "hash differs"],
    ["kind = 'search'", "hash differs"],
    ["outcome = '8'", "hash differs"],
    ["route = ''", "hash differs"],
    ["request_id = request_id || ' '", "hash differs"],
    ["patient_ids = '{}'", "hash differs"],
    ["entities = array['Observation/o1', 'Patient/p1']", "hash differs"],
    ["body = replace(body, ':', ': ')", "hash differs"],
    ["previous_hash = sha256('x')", "previous hash differs"],
    ["hash = sha256('x')", "hash differs"],
  ];

  test.each(changes)("%s", async (assignment, fault) => {
    const tenantId = await trail(five);
    await owner.query(`update audit_entry set ${assignment} where tenant_id = $1 and sequence = 3`, [tenantId]);
    expect(await verify(tenantId)).toEqual({ ok: false, sequence: 3, fault });
  });

  test("the changes tried are of every column but the two of the key", async () => {
    const { rows } = await owner.query(
      "select attname from pg_attribute where attrelid = 'audit_entry'::regclass and attnum > 0 order by attname",
    );
    const columns = rows.map((row) => (row as { attname: string }).attname);
    expect(columns).toEqual([...new Set(changes.map(([one]) => columnOf(one))), "tenant_id", "sequence"].sort());
  });

  test("a row deleted in the middle, and one deleted at the beginning", async () => {
    const [middle, first] = [await trail(five), await trail(five)];
    await owner.query("delete from audit_entry where tenant_id = $1 and sequence = 3", [middle]);
    await owner.query("delete from audit_entry where tenant_id = $1 and sequence = 1", [first]);
    expect(await verify(middle)).toEqual({ ok: false, sequence: 3, fault: "sequence missing" });
    expect(await verify(first)).toEqual({ ok: false, sequence: 1, fault: "sequence missing" });
  });

  test("a row deleted and the later ones moved up", async () => {
    const tenantId = await trail(five);
    await owner.query("delete from audit_entry where tenant_id = $1 and sequence = 3", [tenantId]);
    for (const sequence of [4, 5]) {
      const move = "update audit_entry set sequence = sequence - 1 where tenant_id = $1 and sequence = $2";
      await owner.query(move, [tenantId, sequence]);
    }
    expect(await verify(tenantId)).toEqual({ ok: false, sequence: 3, fault: "previous hash differs" });
  });

  test("two rows that changed places", async () => {
    const tenantId = await trail(five);
    const move = "update audit_entry set sequence = $3 where tenant_id = $1 and sequence = $2";
    for (const [from, to] of [[2, 0], [4, 2], [0, 4]]) await owner.query(move, [tenantId, from, to]); // biome-ignore format: three moves
    expect(await verify(tenantId)).toEqual({ ok: false, sequence: 2, fault: "previous hash differs" });
  });

  test("a row put before the first", async () => {
    const tenantId = await trail(five);
    await owner.query(
      `insert into audit_entry select tenant_id, 0, at, client_id, action, kind, outcome, route, request_id, patient_ids,
         entities, body, previous_hash, hash from audit_entry where tenant_id = $1 and sequence = 1`,
      [tenantId],
    );
    expect(await verify(tenantId)).toEqual({ ok: false, sequence: 0, fault: "sequence below the first" });
  });

  test("a row that was moved to another tenant", async () => {
    const [one, two] = [await trail(five), await trail(five.slice(0, 4))];
    await owner.query("update audit_entry set tenant_id = $2 where tenant_id = $1 and sequence = 5", [one, two]);
    expect(await verify(two)).toEqual({ ok: false, sequence: 5, fault: "previous hash differs" });
  });

  test("a cut end, and a trail written anew, show beside the head that was noted", async () => {
    const tenantId = await trail(five);
    const checked = await verify(tenantId);
    if (!checked.ok) throw new Error("the trail is broken");
    await owner.query("delete from audit_entry where tenant_id = $1 and sequence > 3", [tenantId]);
    // This is what a chain alone cannot show.
    expect(await verify(tenantId)).toMatchObject({ ok: true, rows: 3 });
    expect(await verify(tenantId, 1, checked.head)).toEqual({ ok: false, sequence: 4, fault: "sequence missing" });
    await append(tenantId, [entry(), entry({ requestId: "forged" })]);
    expect(await verify(tenantId)).toMatchObject({ ok: true, rows: 5 });
    const fault = "not the hash that was noted";
    expect(await verify(tenantId, 1, checked.head)).toEqual({ ok: false, sequence: 5, fault });
  });
});

describe("the service itself may only add", () => {
  const forbidden = [
    "update audit_entry set outcome = '8'",
    "delete from audit_entry",
    "truncate audit_entry",
    "alter table audit_entry no force row level security",
    "drop table audit_entry",
    "create or replace function append_audit(entries text[]) returns bigint language sql as 'select 1::bigint'",
  ];

  test.each(forbidden)("%s is refused", async (statement) => {
    const tenantId = await trail(five);
    const tried = inTenant(database, tenantId, (session) => session.query(statement));
    await expect(tried).rejects.toMatchObject({ code: "42501" }); // insufficient_privilege: PostgreSQL manual, appendix A
    expect(await verify(tenantId)).toMatchObject({ ok: true, rows: 5 });
  });

  test("without a tenant nothing can be appended", async () => {
    const tried = database.pool.query("select append_audit(array['[]'])");
    await expect(tried).rejects.toMatchObject({ code: expect.stringMatching(/^(42501|23502)$/) });
  });
});
