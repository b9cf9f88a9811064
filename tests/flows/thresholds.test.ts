import { Client } from "pg";
import { afterAll, beforeAll, beforeEach, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { jobsOf } from "../../src/flows/jobs.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { readThresholds, setThresholds, thresholdVersions } from "../../src/flows/thresholds.ts";
import { inTenant } from "../../src/store/database.ts";
import { startWorker } from "../../src/store/worker.ts";
import { halfUser } from "../support/half-user.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

beforeEach(async () => {
  await set({});
});

const local = <T>(value: T) => ({ value, source: "Local policy 7" });

async function set(settings: unknown, planId?: string) {
  const wanted = { settings, note: "Agreed in the team" };
  const answer = await setThresholds(here.service, here.tenantId, planId, wanted);
  return answer.ok ? { version: answer.value.version } : { refusals: answer.refusals };
}

interface StoredFinding {
  readonly rule: string;
  readonly thresholdsVersion?: string;
}

async function findings(id: string): Promise<StoredFinding[]> {
  const [row] = await query<{ findings: StoredFinding[] }>(
    "select findings from patient_summary where tenant_id = $1 and patient_id = $2",
    [here.tenantId, id],
  );
  return row?.findings ?? [];
}

async function rulesAfterReview(id: string): Promise<string[]> {
  await reviewPatient(here.service, here.tenantId, id);
  return (await findings(id)).map((one) => one.rule);
}

function query<Row>(text: string, values: readonly unknown[]): Promise<Row[]> {
  return inTenant(here.database, here.tenantId, (session) => session.query<Row>(text, values));
}

test("half of what was asked is low use once the threshold is above it, and the finding names the version", async () => {
  await halfUser(here, "half");
  expect(await rulesAfterReview("half")).not.toContain("low-use");
  const { version } = await set({ lowUseBelowShare: local(0.6) });
  expect(version).toMatch(/^defaults-\d+\/tenant-\d+$/);
  expect(await rulesAfterReview("half")).toContain("low-use");
  const found = (await findings("half")).find((one) => one.rule === "low-use");
  expect(found?.thresholdsVersion).toBe(version);
});

test("the worker reviews everybody concerned after a change, without anybody asking", async () => {
  await halfUser(here, "asked-by-none");
  expect(await rulesAfterReview("asked-by-none")).not.toContain("low-use");
  await set({ lowUseBelowShare: local(0.6) });
  const worker = await startWorker(here.connectionString, jobsOf(here.service), {
    concurrency: 2,
    timetable: "",
    onLog: () => undefined,
  });
  try {
    const rules = async () => (await findings("asked-by-none")).map((one) => one.rule);
    await expect.poll(rules, { timeout: 20_000 }).toContain("low-use");
  } finally {
    await worker.stop();
  }
});

test("a plan's own value stands over the tenant's, for that plan alone", async () => {
  await halfUser(here, "own");
  await halfUser(here, "other");
  await set({ lowUseBelowShare: local(0.6) });
  await set({ lowUseBelowShare: local(0.3) }, "plan-own");
  expect(await rulesAfterReview("own")).not.toContain("low-use");
  expect(await rulesAfterReview("other")).toContain("low-use");
});

test("the tenant's new value is refused when it contradicts what a plan has set of its own", async () => {
  await halfUser(here, "clash");
  expect(await set({ saturationReviewBelowPercent: local(94) }, "plan-clash")).toHaveProperty("version");
  const { refusals } = await set({ saturationInformationBelowPercent: local(93) });
  expect(refusals?.map((one) => one.at)).toEqual(["settings.saturationInformationBelowPercent.value"]);
  expect(refusals?.[0]?.detail).toContain("CarePlan/plan-clash");
  await set({}, "plan-clash");
  expect(await set({ saturationInformationBelowPercent: local(93) })).toHaveProperty("version");
});

test("a plan's value is held against the tenant's, not the defaults it replaces", async () => {
  await halfUser(here, "held");
  await set({ alertWindowDays: local(10) });
  expect(await set({ alertDays: local(9) }, "plan-held")).toHaveProperty("version");
  const { refusals } = await set({ alertDays: local(11) }, "plan-held");
  expect(refusals?.map((one) => one.at)).toEqual(["settings.alertDays.value"]);
  await set({}, "plan-held");
});

test("what was set for a plan stays readable when the plan is gone, and holds back nobody", async () => {
  await halfUser(here, "ended");
  await set({ saturationReviewBelowPercent: local(94) }, "plan-ended");
  const [plan] = await query<{ body: string }>(
    "select body from resource where tenant_id = $1 and type = 'CarePlan' and id = 'plan-ended'",
    [here.tenantId],
  );
  await put(here, { ...JSON.parse(plan?.body ?? ""), status: "entered-in-error" });
  const [now, versions] = [
    await readThresholds(here.service, here.tenantId, "plan-ended"),
    await thresholdVersions(here.service, here.tenantId, "plan-ended", { count: 5 }),
  ];
  expect([now.ok, versions.ok && versions.value.versions.length]).toEqual([false, 1]);
  expect(await set({ saturationInformationBelowPercent: local(93) })).toHaveProperty("version");
});

async function onServer<T>(work: (client: Client) => Promise<T>): Promise<T> {
  const client = new Client({ connectionString: here.connectionString });
  await client.connect();
  try {
    return await work(client);
  } finally {
    await client.end();
  }
}

const emptyQueue = () => onServer((client) => client.query("delete from graphile_worker._private_jobs"));

/** Ids of the patients whose review is waiting. */
function waiting(): Promise<string[]> {
  return onServer(async (client) => {
    const { rows } = await client.query<{ key: string }>("select key from graphile_worker.jobs where key is not null");
    return rows.map((row) => row.key.replace(`review:${here.tenantId}:`, "")).sort();
  });
}

test("the tenant's change queues everybody in use, a plan's its own patient, a refused one nobody", async () => {
  await halfUser(here, "queued");
  await put(here, { ...patientResource({ id: "gone", family: "Gone", given: "Given" }), active: false } as never);
  await emptyQueue();
  await set({ lowUseBelowShare: local(7) });
  await set({ lowUseBelowShare: local(0.4) }, "plan-of-nobody");
  expect(await waiting()).toEqual([]);
  await set({}, "plan-queued");
  expect(await waiting()).toEqual(["queued"]);
  await set({});
  const active = await query<{ patient_id: string }>("select patient_id from patient where tenant_id = $1 and active", [
    here.tenantId,
  ]);
  const ids = active.map((row) => row.patient_id).sort();
  expect(await waiting()).toEqual(ids);
  expect(ids.includes("gone")).toBe(false);
});
