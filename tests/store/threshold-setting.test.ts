import { afterAll, beforeAll, expect, test } from "vitest";
import { inTenant, type TenantSession } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import {
  addThresholdSetting,
  latestThresholdSetting,
  planThresholdSettings,
  readDayPartVersions,
  readThresholdSettings,
  thresholdHistory,
} from "../../src/store/threshold-setting.ts";
import { halfUser } from "../support/half-user.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;
const night = [{ code: "night", from: "20:00", to: "08:00" }];
const at = (day: number) => Date.parse(`2026-05-0${day}T09:00:00.000Z`);

const inside = <T>(work: (session: TenantSession) => Promise<T>) => inTenant(here.database, here.tenantId, work);

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  await halfUser(here, "one");
  await halfUser(here, "two");
  await inside(async (session) => {
    const coolDown = (days: number) => ({ coolDownDays: { value: days, source: "Local policy" } });
    await addThresholdSetting(session, { version: 1, setAtMs: at(1), note: "First", settings: coolDown(10) });
    await addThresholdSetting(session, {
      version: 2,
      setAtMs: at(3),
      setBy: "Somebody",
      settings: { dayParts: { value: night, source: "Ward" } },
    });
    await addThresholdSetting(session, { version: 3, setAtMs: at(5), settings: {} });
    await addThresholdSetting(session, { planId: "plan-one", version: 1, setAtMs: at(2), settings: coolDown(20) });
    await addThresholdSetting(session, { planId: "plan-two", version: 1, setAtMs: at(2), settings: coolDown(30) });
    await addThresholdSetting(session, { planId: "plan-two", version: 2, setAtMs: at(4), settings: {} });
    await addThresholdSetting(session, { planId: "plan-gone", version: 1, setAtMs: at(2), settings: coolDown(40) });
  });
});

afterAll(() => here.close());

/** `plan version` of what was in force for a patient at a moment. */
async function inForce(patientId?: string, asOfMs?: number): Promise<string[]> {
  const settings = await inside((session) => readThresholdSettings(session, patientId, asOfMs));
  return settings.map((one) => `${one.planId ?? "tenant"} ${one.version}`);
}

test("the latest settings are the tenant's and those of the patient's own plans", async () => {
  expect(await inForce()).toEqual(["tenant 3"]);
  expect(await inForce("one")).toEqual(["tenant 3", "plan-one 1"]);
  expect(await inForce("two")).toEqual(["tenant 3", "plan-two 2"]);
  expect(await inForce("nobody")).toEqual(["tenant 3"]);
});

test("as of a moment nothing counts that was set later, and what was set at that very moment does", async () => {
  expect(await inForce("one", at(1) - 1)).toEqual([]);
  expect(await inForce("one", at(1))).toEqual(["tenant 1"]);
  expect(await inForce("one", at(3) - 1)).toEqual(["tenant 1", "plan-one 1"]);
  expect(await inForce("two", at(3))).toEqual(["tenant 2", "plan-two 1"]);
  expect(await inForce("two", at(9))).toEqual(["tenant 3", "plan-two 2"]);
});

test("the history is newest first, in pages, and holds who set it, when and why", async () => {
  const page = (count: number, beforeVersion?: number) =>
    inside((session) =>
      thresholdHistory(session, undefined, { count, ...(beforeVersion === undefined ? {} : { beforeVersion }) }),
    );
  expect((await page(2)).map((one) => one.version)).toEqual([3, 2]);
  expect((await page(2, 2)).map((one) => one.version)).toEqual([1]);
  expect(await page(1, 3)).toEqual([
    { version: 2, setAtMs: at(3), setBy: "Somebody", settings: { dayParts: { value: night, source: "Ward" } } },
  ]);
  expect((await inside((session) => latestThresholdSetting(session, "plan-two")))?.version).toBe(2);
  expect(await inside((session) => latestThresholdSetting(session, "plan-never"))).toBeUndefined();
});

test("plans that override anything are those that are still here", async () => {
  const plans = await inside(planThresholdSettings);
  expect(plans.map((one) => one.planId)).toEqual(["plan-one"]);
});

test("day parts are told version by version, absent where a version sets none", async () => {
  expect(await inside(readDayPartVersions)).toEqual([
    { setAtMs: at(1) },
    { setAtMs: at(3), dayParts: night },
    { setAtMs: at(5) },
  ]);
});

test("another tenant sees and adds its own alone", async () => {
  const stranger = await ensureTenant(here.database, "stranger");
  const theirs = <T>(work: (session: TenantSession) => Promise<T>) => inTenant(here.database, stranger.tenantId, work);
  expect(await theirs((session) => readThresholdSettings(session, "one"))).toEqual([]);
  // Row-level security, whatever a statement asks for.
  expect(await theirs((session) => session.query("select 1 from threshold_setting"))).toEqual([]);
  await theirs((session) => addThresholdSetting(session, { version: 1, setAtMs: at(1), settings: {} }));
  expect(await inForce()).toEqual(["tenant 3"]);
});

test("the same version cannot be added twice, and none can be changed or removed", async () => {
  const twice = inside((session) => addThresholdSetting(session, { version: 3, setAtMs: at(6), settings: {} }));
  // https://www.postgresql.org/docs/current/errcodes-appendix.html: unique_violation, insufficient_privilege.
  await expect(twice).rejects.toMatchObject({ code: "23505" });
  for (const statement of ["update threshold_setting set note = 'x'", "delete from threshold_setting"]) {
    await expect(inside((session) => session.query(statement))).rejects.toMatchObject({ code: "42501" });
  }
});
