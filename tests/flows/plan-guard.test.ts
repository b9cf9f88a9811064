import type { Resource } from "@medplum/fhirtypes";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { refusePlans } from "../../src/flows/plan-guard.ts";
import { read } from "../../src/flows/read-resource.ts";
import { transact } from "../../src/flows/transact.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { inTenant, type TenantSession } from "../../src/store/database.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeEach(async () => {
  here = await testService("2026-03-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Amber", given: "Anna" }));
});

afterEach(() => here.close());

type PlanParts = Partial<Parameters<typeof planResources>[0]>;

function resources(id: string, over: PlanParts = {}) {
  const { plan, requests } = planResources({
    id,
    patientId: "anna",
    status: "active",
    start: "2026-01-01",
    profiles: [{ profileId: `profile-${id}`, role: "usual", schedule: { kind: "count", timesPerDay: 2 } }],
    ...over,
  });
  return [...requests, plan];
}

/** Writes a plan's requests, then the plan; answers why the plan was refused, or nothing. */
async function write(id: string, over: PlanParts = {}): Promise<string[]> {
  const all = resources(id, over);
  const plan = all.pop() as { resourceType: string; id: string };
  await put(here, ...(all as { resourceType: string; id: string }[]));
  return writePlan(plan);
}

async function writePlan(plan: { id: string }): Promise<string[]> {
  const written = await updateResource(
    here.service,
    here.tenantId,
    { type: "CarePlan", id: plan.id },
    JSON.stringify(plan),
  );
  return written.ok ? [] : written.refusals.map((one) => one.detail);
}

function bundle(...all: object[]) {
  const entry = all.map((resource) => {
    const { resourceType, id } = resource as { resourceType: string; id: string };
    return { resource, request: { method: "PUT", url: `${resourceType}/${id}` } };
  });
  const value = { resourceType: "Bundle", type: "transaction", entry };
  return { value, exact: value };
}

async function transacted(...all: object[]) {
  const options = {
    baseUrl: "https://gate.test/fhir",
    prefer: "minimal" as const,
    handling: "lenient" as const,
    cursorAt: () => "",
  };
  return transact(here.service, here.tenantId, bundle(...all), options);
}

async function refusalsOf(answer: ReturnType<typeof transacted>): Promise<string[]> {
  const result = await answer;
  return result.ok ? [] : result.refusals.map((one) => one.detail);
}

describe("two plans of one person", () => {
  test("that overlap by a day are refused, and the outcome names both with their days", async () => {
    expect(await write("one", { end: "2026-02-28" })).toEqual([]);
    expect(await write("two", { start: "2026-02-28" })).toEqual([
      "CarePlan/two (from 28 February 2026 on) overlaps CarePlan/one (from 1 January 2026 until before 1 March 2026), and one person has one therapy plan at a time. End the other first, or name it in replaces: it then ends on the day this one begins.",
    ]);
  });

  test("of which one begins on the day the other has ended pass", async () => {
    expect(await write("one", { end: "2026-02-28" })).toEqual([]);
    expect(await write("two", { start: "2026-03-01" })).toEqual([]);
  });

  test("of which the later replaces the earlier pass, with no end on the earlier", async () => {
    expect(await write("one")).toEqual([]);
    expect(await write("two", { start: "2026-03-01", replacesId: "one" })).toEqual([]);
  });

  test("of which one is for other equipment pass", async () => {
    expect(await write("one")).toEqual([]);
    const chair = {
      resourceType: "CarePlan",
      id: "chair",
      status: "active",
      intent: "plan",
      subject: { reference: "Patient/anna" },
      period: { start: "2026-01-01" },
    };
    expect(await writePlan(chair)).toEqual([]);
  });

  test.each<[string, PlanParts]>([
    ["a plan that is over", { status: "completed", end: "2026-02-28" }],
    ["a plan on hold", { status: "on-hold" }],
  ])("of which the other is %s are refused all the same", async (_what, over) => {
    expect(await write("one", over)).toEqual([]);
    expect(await write("two", { start: "2026-02-01" })).toHaveLength(1);
  });

  test("of which one begins on the last day of the other, written first, are refused", async () => {
    expect(await write("two", { start: "2026-02-28" })).toEqual([]);
    expect(await write("one", { end: "2026-02-28" })).toHaveLength(1);
    expect(await write("one", { end: "2026-02-27" })).toEqual([]);
  });

  test("of which one was revoked before it began, or on its first day, pass in either order", async () => {
    expect(await write("never", { status: "revoked", start: "2026-04-01" })).toEqual([]);
    expect(await write("at-once", { status: "revoked", start: "2026-03-10" })).toEqual([]);
    expect(await write("two", { start: "2026-03-01" })).toEqual([]);
    expect(await write("at-once", { status: "revoked", start: "2026-03-10" })).toEqual([]);
  });

  test("of different people never meet", async () => {
    await put(here, patientResource({ id: "berta", family: "Birch", given: "Berta" }));
    expect(await write("one")).toEqual([]);
    expect(await write("two", { patientId: "berta" })).toEqual([]);
  });

  test("sent together in one transaction are refused, and nothing of it is kept", async () => {
    const answer = await transacted(...resources("one"), ...resources("two", { start: "2026-02-01" }));
    expect(answer.ok).toBe(false);
    expect(await write("two", { start: "2026-02-01" })).toEqual([]);
  });

  test("of which a transaction ends one and begins the other pass", async () => {
    expect(await write("one")).toEqual([]);
    const [, ended] = resources("one", { status: "completed", end: "2026-02-28" });
    const answer = await transacted(ended as object, ...resources("two", { start: "2026-03-01" }));
    expect(answer.ok).toBe(true);
  });

  test("of which one waits in the transaction for a reference by criteria are judged by what is kept in the end", async () => {
    expect(await write("one")).toEqual([]);
    const [, ended] = resources("one", { status: "completed", end: "2026-02-28" });
    const byCriteria = { ...(ended as object), subject: { reference: "Patient?_id=anna" } };
    expect(await refusalsOf(transacted(byCriteria, ...resources("two", { start: "2026-03-01" })))).toEqual([]);
    const [request, plan] = resources("three", { start: "2026-04-01" });
    const waiting = { ...(request as object), subject: { reference: "Patient?_id=anna" } };
    expect(await refusalsOf(transacted(waiting, plan as object))).toHaveLength(1);
  });

  test("written at the same moment on two connections leave one", async () => {
    for (const id of ["one", "two"]) {
      const [request] = resources(id);
      await put(here, request as { resourceType: string; id: string });
    }
    const plans = ["one", "two"].map((id) => resources(id).at(-1) as { id: string });
    const answers = await Promise.all(plans.map(writePlan));
    expect(answers.map((one) => one.length).sort()).toEqual([0, 1]);
  });

  test("the same plan written again is not its own rival", async () => {
    expect(await write("one")).toEqual([]);
    expect(await write("one")).toEqual([]);
  });
});

describe("a plan that asks for what an absolute contraindication forbids", () => {
  const flag = (over: object = {}) => ({
    ...contraindicationFlag({ id: "flag-1", patientId: "anna", code: "pneumothorax", start: "2026-03-01T09:00:00Z" }),
    ...over,
  });

  test("is refused, and the outcome names the flag and how to go on all the same", async () => {
    await put(here, flag());
    const [detail = ""] = await write("one");
    expect(detail).toMatch(/"Pneumothorax" \(Flag\/flag-1\) is in force/);
    expect(detail).toMatch(/contraindication-override .* reason \(valueString\)/);
  });

  test("is taken with a reason for this very flag, which is kept with it", async () => {
    await put(here, flag());
    const overrides = [{ flagId: "flag-1", reason: "Drained; agreed in clinic." }];
    expect(await write("one", { overrides })).toEqual([]);
    const stored = await read(here.service, here.tenantId, "CarePlan", "one");
    expect(stored.ok && stored.value.body).toContain("Drained; agreed in clinic.");
  });

  test("is refused from the very instant at which the flag begins", async () => {
    await put(here, flag({ period: { start: "2026-03-10T12:00:00Z" } }));
    expect(await write("one")).toHaveLength(1);
  });

  test("is not saved by a reason for another flag", async () => {
    await put(here, flag());
    await put(here, flag({ id: "flag-2" }));
    const overrides = [{ flagId: "flag-2", reason: "Agreed." }];
    expect(await write("one", { overrides })).toEqual([expect.stringContaining("Flag/flag-1")]);
  });

  test.each<[string, PlanParts]>([
    ["on hold", { status: "on-hold" }],
    ["held today", { hold: { start: "2026-03-10" } }],
    ["that begins tomorrow", { start: "2026-03-11" }],
    ["that is over", { status: "completed", end: "2026-03-09" }],
  ])("is taken %s", async (_what, over) => {
    await put(here, flag());
    expect(await write("one", over)).toEqual([]);
  });

  test.each<[string, object]>([
    ["ends this instant", { period: { start: "2026-03-01T09:00:00Z", end: "2026-03-10T12:00:00Z" } }],
    ["begins a second later", { period: { start: "2026-03-10T12:00:01Z" } }],
    ["is inactive", { status: "inactive" }],
  ])("is taken where the flag %s", async (_what, over) => {
    await put(here, flag(over));
    expect(await write("one")).toEqual([]);
  });

  test("is taken where the contraindication is relative: somebody is told, and decides", async () => {
    await put(
      here,
      contraindicationFlag({ id: "f", patientId: "anna", code: "bullous-emphysema", start: "2026-03-01T09:00:00Z" }),
    );
    expect(await write("one")).toEqual([]);
  });

  test("a flag about a running plan is never refused, and a note on that plan later is not either", async () => {
    expect(await write("one")).toEqual([]);
    await put(here, flag());
    const [, plan] = resources("one");
    expect(
      await writePlan({ ...(plan as { id: string }), note: [{ text: "Talked to the family." }] } as never),
    ).toEqual([]);
  });

  test("taking such a plan off hold is asking anew", async () => {
    expect(await write("one", { status: "on-hold" })).toEqual([]);
    await put(here, flag());
    expect(await write("one")).toHaveLength(1);
    expect(await write("one", { status: "on-hold" })).toEqual([]);
  });

  test("another profile in such a plan is asking anew", async () => {
    expect(await write("one")).toEqual([]);
    await put(here, flag());
    const profiles = [
      { profileId: "profile-new", role: "usual", schedule: { kind: "count" as const, timesPerDay: 4 } },
    ];
    expect(await write("one", { profiles })).toHaveLength(1);
  });

  test("a plan with a request for other equipment is not asking anew by a note", async () => {
    const [request, plan] = resources("one");
    const chair = { ...(request as object), id: "chair", codeCodeableConcept: { coding: [{ code: "chair" }] } };
    await put(here, request as { resourceType: string; id: string }, chair as never);
    const both = ["profile-one", "chair"].map((id) => ({ reference: { reference: `DeviceRequest/${id}` } }));
    const withBoth = { ...(plan as { id: string }), activity: both };
    expect(await writePlan(withBoth)).toEqual([]);
    await put(here, flag());
    expect(await writePlan({ ...withBoth, note: [{ text: "Talked to the family." }] } as never)).toEqual([]);
  });
});

test("plans of many people cost no more questions than one, and other writes none", async () => {
  const ids = ["berta", "carl", "dora"];
  const theirs = ids.map((id) => resources(`plan-${id}`, { patientId: id }));
  await transacted(...ids.map((id) => patientResource({ id, family: "Oak", given: id })), ...theirs.flat());
  const asked = (all: readonly object[]) =>
    inTenant(here.database, here.tenantId, async (session) => {
      let statements = 0;
      const counting: TenantSession = {
        ...session,
        query: <Row>(...of: Parameters<TenantSession["query"]>) => {
          statements += 1;
          return session.query<Row>(...of);
        },
      };
      const writes = (all as (Resource & { id: string })[]).map((resource) => ({
        type: resource.resourceType,
        id: resource.id,
        resource,
      }));
      expect(await refusePlans(here.service, counting, writes, new Map())).toEqual([]);
      return statements;
    });
  // The lock, the people, their plans, their flags.
  expect(await asked(theirs[0] ?? [])).toBe(4);
  expect(await asked(theirs.flat())).toBe(4);
  expect(await asked(resources("one").slice(0, 1))).toBe(0);
});
