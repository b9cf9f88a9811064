import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { inTenant, readSnapshotInTenant, type TenantSession } from "../../src/store/database.ts";
import { findRelease, listReleases, lookAtReleases } from "../../src/store/release.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { onServer } from "../support/database.ts";
import { drafted, madeUpWorks, published } from "../support/made-up-figures.ts";
import { type TestService, testService } from "../support/service.ts";

const RESTRICT_VIOLATION = "23001"; // PostgreSQL manual, appendix A

let here: TestService;
/** Numbers of a release in each state that has a content. */
let made: { released: number; drafted: number };

beforeAll(async () => {
  here = await testService("2026-08-10T12:00:00Z");
  const works = await madeUpWorks(() => ({ north: 40, south: 22, west: 3 }));
  made = { released: await published(here, works, "2026-04"), drafted: await drafted(here, works, "2026-05") };
});

afterAll(() => here.close());

const seeingAll = (work: (session: TenantSession) => Promise<unknown>) =>
  inTenant(here.database, here.tenantId, async (session) => {
    await lookAtReleases(session, "all");
    return work(session);
  });

const changes = [
  "body = body || ' '",
  "sha256 = repeat('0', 64)",
  "number = number + 100",
  "period = '2025-01'",
  "policy = 'ons-10-5'",
  "publication = '{}'",
  "audit = '{}'",
  "asked_by_name = 'Somebody else'",
  "state = 'computing', body = null, sha256 = null, audit = null, publication = null",
  "state = 'refused', reason = 'x', body = null, sha256 = null, audit = null, publication = null",
  "state = 'withdrawn', reason = 'x', withdrawn_at = now(), withdrawn_by_client = 'a', withdrawn_by_name = 'b', body = '{}'",
];

describe.each(["released", "drafted"] as const)("what was %s is frozen", (state) => {
  test.each(changes)("for the service: set %s", async (change) => {
    const update = seeingAll((session) =>
      session.query(`update population_release set ${change} where tenant_id = $1 and number = $2`, [
        here.tenantId,
        made[state],
      ]),
    );
    await expect(update).rejects.toMatchObject({ code: RESTRICT_VIOLATION });
  });

  test.each(changes)("for the tables' owner too: set %s", async (change) => {
    const update = onServer(here.connectionString, (owner) =>
      owner.query(`update population_release set ${change} where tenant_id = $1 and number = $2`, [
        here.tenantId,
        made[state],
      ]),
    );
    await expect(update).rejects.toMatchObject({ code: RESTRICT_VIOLATION });
  });
});

test("what was released is not signed again, by another name or at another time", async () => {
  for (const change of [
    "signed_by_name = 'x'",
    "signed_at = now()",
    "signed_by_client = 'x'",
    "state = 'drafted', signed_at = null",
  ]) {
    const update = onServer(here.connectionString, (owner) =>
      owner.query(`update population_release set ${change} where number = $1`, [made.released]),
    );
    await expect(update, change).rejects.toMatchObject({ code: RESTRICT_VIOLATION });
  }
});

test.each([
  ["deleted", "delete from population_release"],
  ["emptied out", "truncate population_release"],
])("no release is %s, not even by the owner", async (_, statement) => {
  await expect(onServer(here.connectionString, (owner) => owner.query(statement))).rejects.toMatchObject({
    code: RESTRICT_VIOLATION,
  });
});

test("a release cannot be put in as if it had been made", async () => {
  const insert = seeingAll((session) =>
    session.query(
      `insert into population_release (tenant_id, number, period, policy, state, asked_at, asked_by_client, asked_by_name, body, sha256, audit, publication)
       values ($1, 99, '2026-01', 'hes', 'drafted', now(), 'a', 'b', '{}', encode(sha256('{}'), 'hex'), '{}', '{}')`,
      [here.tenantId],
    ),
  );
  await expect(insert).rejects.toMatchObject({ code: RESTRICT_VIOLATION });
});

describe("who does not say with which eyes it looks sees none", () => {
  const count = (session: TenantSession) =>
    session.query<{ n: number }>("select count(*)::int as n from population_release where tenant_id = $1", [
      session.tenantId,
    ]);

  test.each([
    [undefined, 0],
    ["released", 1],
    ["all", 2],
  ] as const)("%s: %i releases", async (sight, expected) => {
    const rows = await readSnapshotInTenant(here.database, here.tenantId, async (session) => {
      if (sight !== undefined) await lookAtReleases(session, sight);
      return count(session);
    });
    expect(rows).toEqual([{ n: expected }]);
  });

  test("and the next transaction on the same connection sees none again", async () => {
    await seeingAll(count);
    expect(await inTenant(here.database, here.tenantId, count)).toEqual([{ n: 0 }]);
  });

  test("another tenant sees none of them with any eyes", async () => {
    const { tenantId } = await ensureTenant(here.database, "stranger");
    const found = await inTenant(here.database, tenantId, async (session) => {
      await lookAtReleases(session, "all");
      return [await listReleases(session, 10, 1_000), await findRelease(session, made.released)];
    });
    expect(found).toEqual([[], undefined]);
  });
});

test("what later audits need is in no list and no read", async () => {
  await seeingAll(async (session) => {
    const all = [...(await listReleases(session, 10, 1_000)), await findRelease(session, made.released)];
    expect(all.length).toBe(3);
    for (const one of all) expect(Object.keys(one ?? {})).not.toContain("publication");
  });
});
