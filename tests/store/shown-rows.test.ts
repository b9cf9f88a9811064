import fc from "fast-check";
import { afterAll, beforeAll, expect, test } from "vitest";
import { settingNames } from "../../src/store/confinement.ts";
import {
  type Confinement,
  type Database,
  inTenant,
  openDatabase,
  readInTenant,
  readSnapshotInTenant,
} from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { onServer, type TestDatabase, testDatabase } from "../support/database.ts";

/**
 * A reading connection keeps whose rows it shows until somebody else reads. These tests have one such connection only, so
 * that every reader gets the one of the reader before.
 */
let made: TestDatabase;
let database: Database;
const tenants: number[] = [];

beforeAll(async () => {
  made = await testDatabase();
  database = openDatabase(made.connectionString, { poolSize: 1 });
  for (const slug of ["one", "other"]) tenants.push((await ensureTenant(database, slug)).tenantId);
  for (const tenantId of tenants) {
    await inTenant(database, tenantId, async (session) => {
      await session.query(
        `insert into patient (tenant_id, patient_id, zone, sort_name, active)
         select $1, 'p' || p, 'Europe/London', 'P', true from generate_series(1, 3) as p`,
        [tenantId],
      );
      await session.query(
        `insert into resource (tenant_id, type, id, version, last_updated, deleted, patient_id, terms, body)
         select $1, t.type, t.type || '-' || p, 1, now(), false, 'p' || p, array[1], '{}'
         from unnest(array['Patient', 'Observation', 'Flag']) as t(type), generate_series(1, 3) as p`,
        [tenantId],
      );
    });
  }
});

afterAll(async () => {
  await database.close();
  await made.drop();
});

interface Reader {
  readonly tenant: number;
  readonly confinement: Confinement | undefined;
  readonly how: "read" | "snapshot" | "broken" | "write";
}

const reader: fc.Arbitrary<Reader> = fc.record({
  tenant: fc.nat(1),
  confinement: fc.option(
    fc.record(
      {
        types: fc.constantFrom(["Patient"], ["Observation", "Flag"], []),
        limits: fc.constantFrom({ types: ["Flag"], terms: ["1"] }, { types: ["Flag"], terms: ["2"] }),
        patientId: fc.constantFrom("p1", "p2", "nobody"),
        confidentiality: fc.constant(0 as const),
        consent: fc.constant({ deniedAs: ["1"], permittedAs: ["any"], atMs: 1_000 }),
      },
      { requiredKeys: [] },
    ),
    { nil: undefined },
  ),
  how: fc.constantFrom("read", "read", "snapshot", "broken", "write"),
});

const everything = "select tenant_id, type, id from resource where type <> 'x' order by 1, 2, 3";

async function rowsFor(on: Database, { tenant, confinement, how }: Reader): Promise<unknown> {
  const seen = confinement === undefined ? on : { ...on, confinement };
  const tenantId = tenants[tenant] ?? 0;
  if (how === "write") return inTenant(seen, tenantId, (session) => session.query(everything));
  if (how === "snapshot") return readSnapshotInTenant(seen, tenantId, (session) => session.query(everything));
  const asked = how === "broken" ? "select 1 / 0" : everything;
  return readInTenant(seen, tenantId, (session) => session.query(asked)).catch((error: Error) => error.message);
}

test("whoever reads next on a connection sees what they would on one of their own", async () => {
  await fc.assert(
    fc.asyncProperty(fc.array(reader, { minLength: 2, maxLength: 8 }), async (readers) => {
      for (const one of readers) {
        const fresh = openDatabase(made.connectionString, { poolSize: 1 });
        try {
          expect(await rowsFor(database, one)).toEqual(await rowsFor(fresh, one));
        } finally {
          await fresh.close();
        }
      }
    }),
    { numRuns: 25 },
  );
});

test("a reader sees its own rows also where all ask at once", async () => {
  const wide = openDatabase(made.connectionString, { poolSize: 3 });
  try {
    const seen = await Promise.all(
      Array.from({ length: 60 }, async (_, i) => {
        const patientId = `p${(i % 3) + 1}`;
        const rows = (await rowsFor(wide, {
          tenant: i % 2,
          confinement: { types: ["Flag"], patientId },
          how: "read",
        })) as {
          tenant_id: number;
          id: string;
        }[];
        return rows.every((row) => row.tenant_id === tenants[i % 2]) && rows.map(({ id }) => id).join();
      }),
    );
    expect(new Set(seen)).toEqual(new Set(["Flag-1", "Flag-2", "Flag-3"]));
  } finally {
    await wide.close();
  }
});

test("a reading connection cannot write", async () => {
  const tenantId = tenants[0] ?? 0;
  const written = readInTenant(database, tenantId, (session) =>
    session.query("delete from resource where tenant_id = $1", [tenantId]),
  );
  await expect(written).rejects.toThrow(/read-only transaction/);
});

test("every setting that a policy asks is set for each reader, or within a transaction", async () => {
  const texts = await onServer(made.connectionString, async (owner) => {
    const answer = await owner.query(
      `select pg_get_expr(polqual, polrelid) as text from pg_policy union all
       select pg_get_functiondef(p.oid) from pg_proc p join pg_namespace n on n.oid = p.pronamespace
       where n.nspname = current_schema() and p.prokind = 'f' and p.prolang <> (select oid from pg_language where lanname = 'c')`,
    );
    return (answer.rows as { text: string | null }[]).map((row) => row.text ?? "");
  });
  const asked = new Set(texts.flatMap((text) => [...text.matchAll(/tidegate\.\w+/g)].map(([name]) => name)));
  // Which releases and bulk jobs show, and what caused a job, is told in the transaction that it is for.
  for (const name of ["releases", "bulk_client", "cause"]) asked.delete(`tidegate.${name}`);
  expect(asked.size).toBeGreaterThan(5);
  expect([...asked].filter((name) => !settingNames.includes(name))).toEqual([]);
});
