import { afterAll, beforeAll, beforeEach, expect, test, vi } from "vitest";
import { type Database, inTenant, openDatabase, readInTenant, type TenantSession } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;
let tenantId: number;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString, { poolSize: 1 });
  tenantId = (await ensureTenant(database, "here")).tenantId;
});

beforeEach(() =>
  inTenant(database, tenantId, async (session) => {
    await session.query("delete from resource_string where tenant_id = $1", [tenantId]);
  }),
);

afterAll(async () => {
  await database.close();
  await drop();
});

const insert =
  "insert into resource_string (tenant_id, key, folded, exact, type, id) values ($1, 1, $2, $2, 'Patient', 'a') returning exact";
const broken = "select 1 / $1::int";

function send(session: TenantSession, text: string, then?: (rows: { exact: string }[]) => void): void {
  session.send<{ exact: string }>(insert, [tenantId, text], then);
}

/** What stands there; asked on the pool's other connections, by name. */
async function kept(): Promise<string[]> {
  const rows = await readInTenant(database, tenantId, (session) =>
    session.query<{ exact: string }>("select exact from resource_string where tenant_id = $1 order by 1", [tenantId]),
  );
  return rows.map((row) => row.exact);
}

test("what is sent and not waited for is part of the transaction, and its answer is heard before the end", async () => {
  const heard = vi.fn();
  await inTenant(database, tenantId, async (session) => {
    send(session, "one", heard);
    expect(heard).not.toHaveBeenCalled();
    send(session, "two");
  });
  expect(heard).toHaveBeenCalledExactlyOnceWith([{ exact: "one" }]);
  expect(await kept()).toEqual(["one", "two"]);
});

test.each(["first", "last"])(
  "where what was sent %s fails, nothing is kept, and the error is its own",
  async (place) => {
    const heard = vi.fn();
    const deed = inTenant(database, tenantId, async (session) => {
      if (place === "last") send(session, "one");
      session.send(broken, [0], heard);
      if (place === "first") send(session, "one", heard);
    });
    await expect(deed).rejects.toMatchObject({ code: "22012" }); // division_by_zero: PostgreSQL manual, appendix A
    expect(heard).not.toHaveBeenCalled();
    expect(await kept()).toEqual([]);
    // The connection is as good as before.
    await inTenant(database, tenantId, async (session) => send(session, "next"));
    expect(await kept()).toEqual(["next"]);
  },
);

test("where the work fails, its error is the answer, whatever was sent", async () => {
  const deed = inTenant(database, tenantId, async (session) => {
    send(session, "one");
    session.send(broken, [0]);
    throw new Error("changed its mind");
  });
  await expect(deed).rejects.toThrow("changed its mind");
  expect(await kept()).toEqual([]);
});

test("what is sent at the end by what runs before the commit is kept or undone with it", async () => {
  const ending = (divisor: number) => ({
    ...database,
    beforeCommit: async (session: TenantSession) => session.send(broken, [divisor]),
  });
  const deed = async (session: TenantSession) => send(session, "one");
  await expect(inTenant(ending(0), tenantId, deed)).rejects.toMatchObject({ code: "22012" });
  expect(await kept()).toEqual([]);
  await inTenant(ending(1), tenantId, deed);
  expect(await kept()).toEqual(["one"]);
});

test("a transaction that was undone behind our back is not taken for one that was kept", async () => {
  const deed = inTenant(database, tenantId, async (session) => {
    send(session, "one");
    // As a statement whose error somebody caught and forgot.
    await session.query(broken, [0]).catch(() => undefined);
  });
  await expect(deed).rejects.toThrow("the transaction was rolled back");
  expect(await kept()).toEqual([]);
});
