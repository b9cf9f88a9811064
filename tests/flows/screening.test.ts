import type { Flag, QuestionnaireResponse } from "@medplum/fhirtypes";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { screeningResponse } from "../../src/fhir/screening.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { readInTenant } from "../../src/store/database.ts";
import { put, type TestService, testService } from "../support/service.ts";

const authored = "2026-03-09T10:00:00Z";
let here: TestService;

beforeEach(async () => {
  here = await testService("2026-03-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Amber", given: "Anna" }));
});

afterEach(() => here.close());

const screening = (found: readonly string[], over: Partial<QuestionnaireResponse> = {}) => ({
  ...screeningResponse({ id: "response-1", patientId: "anna", authored, found }),
  ...over,
});

async function bodies<T>(type: string): Promise<T[]> {
  const rows = await readInTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(
      "select body from resource where tenant_id = $1 and type = $2 and not deleted order by id",
      [here.tenantId, type],
    ),
  );
  return rows.map((row) => JSON.parse(row.body) as T);
}

const flags = async () =>
  (await bodies<Flag>("Flag")).map((flag) => [flag.code.coding?.[0]?.code, flag.status, flag.period]);

test("each yes raises a Flag from the moment the answers were written, with its Provenance", async () => {
  await put(here, screening(["haemoptysis", "lung-abscess"]));
  expect((await flags()).sort()).toEqual([
    ["haemoptysis", "active", { start: authored }],
    ["lung-abscess", "active", { start: authored }],
  ]);
  const provenances = await bodies<{ activity?: { coding?: { code?: string }[] } }>("Provenance");
  expect(provenances.map((one) => one.activity?.coding?.[0]?.code)).toEqual([
    "flag-from-screening",
    "flag-from-screening",
  ]);
});

test("a screening that finds nothing raises nothing and is on record", async () => {
  await put(here, screening([]));
  expect(await flags()).toEqual([]);
  const facts = await readInTenant(here.database, here.tenantId, (session) =>
    session.query<{ fact: unknown }>("select fact from patient_fact where tenant_id = $1 and kind = 'screening'", [
      here.tenantId,
    ]),
  );
  expect(facts.map((row) => row.fact)).toEqual([{ responseId: "response-1", day: "2026-03-09" }]);
});

test("what ends by itself warns for a day", async () => {
  await put(here, screening(["vomiting-or-full-stomach"]));
  expect(await flags()).toEqual([
    ["vomiting-or-full-stomach", "active", { start: authored, end: "2026-03-10T10:00:00.000Z" }],
  ]);
});

test("the same form again raises nothing anew", async () => {
  await put(here, screening(["haemoptysis"]));
  await put(here, screening(["haemoptysis"]));
  expect(await flags()).toHaveLength(1);
});

test("where an active Flag of the code stands already, no second one is raised", async () => {
  await put(here, contraindicationFlag({ id: "by-hand", patientId: "anna", code: "haemoptysis", start: authored }));
  await put(here, screening(["haemoptysis"]));
  expect(await flags()).toHaveLength(1);
});

describe("a Flag of the code that warns no longer", () => {
  const vomiting = ["vomiting-or-full-stomach"];
  const later = (at: string) => ({ ...screening(vomiting, { authored: at }), id: "response-2" });

  test("does not stand for what a form says a day later, though nobody has ended it", async () => {
    await put(here, screening(vomiting));
    await put(here, later("2026-03-10T11:00:00Z"));
    const found = await bodies<Flag>("Flag");
    expect(found.map(({ status, period }) => [status, period?.start, period?.end].join(" ")).sort()).toEqual([
      "active 2026-03-09T10:00:00Z 2026-03-10T10:00:00.000Z",
      "active 2026-03-10T11:00:00Z 2026-03-11T11:00:00.000Z",
    ]);
  });

  test("nor does one that ends sooner than the new one would", async () => {
    await put(here, screening(vomiting));
    await put(here, later("2026-03-10T09:00:00Z"));
    expect(await flags()).toHaveLength(2);
  });

  test("nor one that somebody gave an end that is over", async () => {
    const flag = contraindicationFlag({ id: "by-hand", patientId: "anna", code: "haemoptysis", start: "2026-03-01" });
    await put(here, { ...flag, period: { start: "2026-03-01", end: "2026-03-05" } } as never);
    await put(here, screening(["haemoptysis"]));
    expect(await flags()).toHaveLength(2);
  });
});

test("a form that states only its date warns for a day after that of the person's zone", async () => {
  await put(here, patientResource({ id: "anna", family: "Amber", given: "Anna", zone: "America/New_York" }));
  await put(here, screening(["vomiting-or-full-stomach"], { authored: "2026-03-09" }));
  // New York is on summer time since the day before: its 9 March ends at 04:00 UTC.
  expect((await flags())[0]?.[2]).toEqual({ start: "2026-03-09", end: "2026-03-11T04:00:00.000Z" });
});

describe("a form that was never about this person", () => {
  const statusOf = async () => (await bodies<Flag>("Flag")).map((one) => [one.subject.reference, one.status]).sort();

  test("entered in error: so is the Flag it raised", async () => {
    await put(here, screening(["haemoptysis"]));
    await put(here, screening(["haemoptysis"], { status: "entered-in-error" }));
    expect(await statusOf()).toEqual([["Patient/anna", "entered-in-error"]]);
  });

  test("put right to another person: warns for that one and no longer for the first", async () => {
    await put(here, patientResource({ id: "bert", family: "Birch", given: "Bert" }));
    await put(here, screening(["haemoptysis"]));
    await put(here, screening(["haemoptysis"], { status: "amended", subject: { reference: "Patient/bert" } }));
    expect(await statusOf()).toEqual([
      ["Patient/anna", "entered-in-error"],
      ["Patient/bert", "active"],
    ]);
  });
});

describe("an amended form", () => {
  test("without a date of its own takes a yes back as well", async () => {
    const { authored: _, ...undated } = screening(["vomiting-or-full-stomach"]);
    const { authored: __, ...amended } = screening([], { status: "amended" });
    await put(here, undated as never);
    await put(here, amended as never);
    expect((await flags()).map(([, status]) => status)).toEqual(["entered-in-error"]);
  });

  test("that leaves a question out takes nothing back", async () => {
    await put(here, screening(["haemoptysis"]));
    const { item: _, ...unanswered } = screening([], { status: "amended" });
    await put(here, unanswered as never);
    expect((await flags()).map(([, status]) => status)).toEqual(["active"]);
  });

  test("that takes a yes back makes the Flag it had raised entered in error", async () => {
    await put(here, screening(["haemoptysis"]));
    await put(here, screening([], { status: "amended" }));
    expect((await flags()).map(([code, status]) => [code, status])).toEqual([["haemoptysis", "entered-in-error"]]);
  });

  test("that says yes again after a no warns anew, and a second no takes that back too", async () => {
    const statuses = async () => (await flags()).map(([code, status]) => [code, status]);
    await put(here, screening(["haemoptysis"]));
    await put(here, screening([], { status: "amended" }));
    await put(here, screening(["haemoptysis"], { status: "amended", authored: "2026-03-10T09:00:00Z" }));
    expect(await flags()).toEqual([["haemoptysis", "active", { start: "2026-03-10T09:00:00Z" }]]);
    await put(here, screening([], { status: "amended" }));
    expect(await statuses()).toEqual([["haemoptysis", "entered-in-error"]]);
  });

  test("that still says yes does not bring back a Flag that somebody has ended", async () => {
    await put(here, screening(["haemoptysis"]));
    const [flag] = await bodies<Flag & { id: string }>("Flag");
    await put(here, { ...(flag as Flag & { id: string }), status: "inactive" } as never);
    await put(here, screening(["haemoptysis"], { status: "amended" }));
    expect((await flags()).map(([, status]) => status)).toEqual(["inactive"]);
  });

  test("leaves a Flag alone that somebody has changed since", async () => {
    await put(here, screening(["haemoptysis"]));
    const [flag] = await bodies<Flag & { id: string }>("Flag");
    const { meta: _, ...content } = flag as Flag & { id: string };
    await put(here, {
      ...content,
      period: { start: authored, end: "2026-03-10T08:00:00Z" },
      status: "inactive",
    } as never);
    await put(here, screening([], { status: "amended" }));
    expect((await flags()).map(([code, status]) => [code, status])).toEqual([["haemoptysis", "inactive"]]);
  });

  test("never ends a Flag that a person raised", async () => {
    await put(here, contraindicationFlag({ id: "by-hand", patientId: "anna", code: "haemoptysis", start: authored }));
    await put(here, screening(["haemoptysis"]));
    await put(here, screening([], { status: "amended" }));
    expect((await flags()).map(([code, status]) => [code, status])).toEqual([["haemoptysis", "active"]]);
  });
});

test("two forms about one person at the same moment raise one Flag of a code", async () => {
  const second = { ...screening(["haemoptysis"]), id: "response-2" };
  await Promise.all([put(here, screening(["haemoptysis"])), put(here, second)]);
  expect(await flags()).toHaveLength(1);
});

test("a form still being filled in raises nothing yet", async () => {
  await put(here, screening(["haemoptysis"], { status: "in-progress" }));
  expect(await flags()).toEqual([]);
});

test("a deleted form changes no Flag", async () => {
  await put(here, screening(["haemoptysis"]));
  const deleted = await deleteResource(here.service, here.tenantId, {
    type: "QuestionnaireResponse",
    id: "response-1",
  });
  expect(deleted.ok).toBe(true);
  expect((await flags()).map(([, status]) => status)).toEqual(["active"]);
});
