import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { EverythingQuery } from "../../src/fhir/everything.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { everything } from "../../src/flows/everything.ts";
import type { RecordPlace } from "../../src/store/everything.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { put, type TestService, testService } from "../support/service.ts";

// Expectations from https://hl7.org/fhir/R4/patient-operation-everything.html unless another page is named.
let here: TestService;

const anna = { reference: "Patient/anna" };
const ben = { reference: "Patient/ben" };

function walk(id: string, subject: object, at: string | undefined, more: object = {}) {
  const effective = at === undefined ? {} : { effectiveDateTime: at };
  return { resourceType: "Observation", id, status: "final", code: { text: "walk" }, subject, ...effective, ...more };
}

beforeAll(async () => {
  here = await testService("2026-03-10T12:00:00Z");
  await put(
    here,
    { resourceType: "Patient", id: "anna" },
    { resourceType: "Patient", id: "ben" },
    { resourceType: "Organization", id: "reedmere", name: "Reedmere Clinic" } as never,
    { resourceType: "Practitioner", id: "rowan" },
    { resourceType: "Device", id: "hush" },
    { resourceType: "Questionnaire", id: "breath", status: "active", url: "https://example.org/breath" } as never,
    walk("march-1", anna, "2026-03-01T08:00:00Z", { device: { reference: "Device/hush" } }),
    walk("march-5", anna, "2026-03-05T08:00:00Z", { performer: [{ reference: "Practitioner/rowan" }] }),
    walk("undated", anna, undefined),
    walk("of-ben", ben, "2026-03-05T08:00:00Z", { performer: [{ reference: "Organization/reedmere" }] }),
    {
      resourceType: "Procedure",
      id: "stay",
      status: "completed",
      subject: anna,
      performedPeriod: { start: "2026-02-20", end: "2026-03-02" },
    } as never,
    { resourceType: "Goal", id: "goal", lifecycleStatus: "active", description: { text: "g" }, subject: anna } as never,
    { resourceType: "Task", id: "call", status: "requested", intent: "order", for: anna } as never,
    {
      resourceType: "QuestionnaireResponse",
      id: "answers",
      status: "completed",
      subject: anna,
      questionnaire: "https://example.org/breath|2",
    } as never,
  );
});

afterAll(() => here.close());

const all = (): EverythingQuery => ({ types: here.service.definitions.types, count: 100, used: [] });

async function ask(query: Partial<EverythingQuery> = {}, patientId = "anna", after?: RecordPlace) {
  const answer = await everything(here.service, here.tenantId, patientId, { ...all(), ...query }, after);
  if (!answer.ok) return { status: answer.refusals[0]?.status };
  const names = (list: readonly { type: string; id: string }[]) => list.map((one) => `${one.type}/${one.id}`);
  const { page, supporting, truncated } = answer.value;
  return { matches: names(page.resources), supporting: names(supporting).sort(), page, truncated };
}

const own = [
  "Patient/anna",
  "Goal/goal",
  "Observation/march-1",
  "Observation/march-5",
  "Observation/undated",
  "Procedure/stay",
  "QuestionnaireResponse/answers",
  "Task/call",
];

describe("everything about a patient", () => {
  test("is the patient, its compartment and its Tasks, with the devices, practitioners and questionnaires they name", async () => {
    const answer = await ask();
    expect(answer.matches).toEqual(own);
    expect(answer.supporting).toEqual(["Device/hush", "Practitioner/rowan", "Questionnaire/breath"]);
    expect(answer.truncated).toBe(false);
  });

  test("holds nothing of another patient", async () => {
    const answer = await ask({}, "ben");
    expect(answer.matches).toEqual(["Patient/ben", "Observation/of-ben"]);
    expect(answer.supporting).toEqual(["Organization/reedmere"]);
  });

  test("comes in pages that together are the whole, each once, whatever their size", async () => {
    for (const count of [1, 2, 3, own.length]) {
      const seen: string[] = [];
      let after: RecordPlace | undefined;
      for (let pages = 0; pages < 20; pages += 1) {
        const answer = await ask({ count }, "anna", after);
        seen.push(...(answer.matches ?? []));
        if (!answer.page?.more) break;
        after = answer.page.end;
      }
      expect(seen).toEqual(own);
    }
  });

  // https://hl7.org/fhir/R4/http.html#paging: the pages stay one list while resources come and go.
  test("misses and repeats nothing when a resource arrives between two pages", async () => {
    await put(
      here,
      { resourceType: "Patient", id: "cara" },
      walk("b", { reference: "Patient/cara" }, undefined),
      walk("d", { reference: "Patient/cara" }, undefined),
    );
    const first = await ask({ count: 2 }, "cara");
    await put(
      here,
      walk("a", { reference: "Patient/cara" }, undefined),
      walk("c", { reference: "Patient/cara" }, undefined),
    );
    const second = await ask({ count: 5 }, "cara", first.page?.end);
    expect([first.matches, second.matches]).toEqual([
      ["Patient/cara", "Observation/b"],
      ["Observation/c", "Observation/d"],
    ]);
  });
});

describe("start and end limit by care dates", () => {
  const day = (text: string) => Date.parse(`${text}T00:00:00Z`);

  test("what lies outside is left out; a stay that reaches into the range is in it", async () => {
    const answer = await ask({
      startMs: day("2026-03-01"),
      endMs: day("2026-03-03"),
      types: ["Observation", "Procedure"],
    });
    expect(answer.matches).toEqual(["Observation/march-1", "Observation/undated", "Procedure/stay"]);
  });

  test("without a start all before the end is in scope", async () => {
    const answer = await ask({ endMs: day("2026-03-01"), types: ["Observation", "Procedure"] });
    expect(answer.matches).toEqual(["Observation/undated", "Procedure/stay"]);
  });

  test("without an end all after the start is in scope", async () => {
    const answer = await ask({ startMs: day("2026-03-03"), types: ["Observation", "Procedure"] });
    expect(answer.matches).toEqual(["Observation/march-5", "Observation/undated"]);
  });

  test("the patient and what carries no care date is in every range", async () => {
    const answer = await ask({ startMs: day("1990-01-01"), endMs: day("1990-01-02") });
    expect(answer.matches).toEqual([
      "Patient/anna",
      "Goal/goal",
      "Observation/undated",
      "QuestionnaireResponse/answers",
      "Task/call",
    ]);
  });
});

describe("_since and _type", () => {
  test("only what changed since then is answered, with all that it points to", async () => {
    here.clock.at = Date.parse("2026-03-11T12:00:00Z");
    await put(
      here,
      walk("march-5", anna, "2026-03-05T09:00:00Z", { performer: [{ reference: "Practitioner/rowan" }] }),
    );
    const answer = await ask({ sinceMs: Date.parse("2026-03-11T00:00:00Z") });
    // Rowan has not changed since, and may be new to the one who asks all the same.
    expect([answer.matches, answer.supporting]).toEqual([["Observation/march-5"], ["Practitioner/rowan"]]);
  });

  test("only the types named are answered, be they matches or pointed to", async () => {
    const answer = await ask({ types: ["Device", "Observation"] });
    expect(answer.matches).toEqual(["Observation/march-1", "Observation/march-5", "Observation/undated"]);
    expect(answer.supporting).toEqual(["Device/hush"]);
  });

  test("nothing of what was asked is an empty page and no error", async () => {
    expect(await ask({ types: ["Flag"] })).toMatchObject({ matches: [], supporting: [] });
  });
});

describe("whose record", () => {
  test("a patient that never was is 404, a deleted one 410 (https://hl7.org/fhir/R4/http.html#read)", async () => {
    await put(here, { resourceType: "Patient", id: "gone" });
    await deleteResource(here.service, here.tenantId, { type: "Patient", id: "gone" });
    expect([await ask({}, "never"), await ask({}, "gone")]).toEqual([{ status: 404 }, { status: 410 }]);
  });

  test("another tenant's patient of that id is not there", async () => {
    const stranger = await ensureTenant(here.database, "stranger");
    const answer = await everything(here.service, stranger.tenantId, "anna", all());
    expect(answer).toMatchObject({ ok: false, refusals: [{ status: 404 }] });
  });

  // https://hl7.org/fhir/R4/patient.html#links: the record of the one that replaced it has to be asked for by name.
  test("a merged patient answers for itself and not for the one that replaced it", async () => {
    const merged = { resourceType: "Patient", id: "merged" };
    await put(
      here,
      { resourceType: "Patient", id: "kept" },
      merged,
      walk("of-kept", { reference: "Patient/kept" }, undefined),
      walk("of-merged", { reference: "Patient/merged" }, undefined),
      { ...merged, link: [{ type: "replaced-by", other: { reference: "Patient/kept" } }] } as never,
    );
    expect((await ask({}, "merged")).matches).toEqual(["Patient/merged", "Observation/of-merged"]);
    // By https://hl7.org/fhir/R4/compartmentdefinition-patient.html a Patient that links to this one is in its compartment.
    expect((await ask({}, "kept")).matches).toEqual(["Patient/kept", "Observation/of-kept", "Patient/merged"]);
  });
});
