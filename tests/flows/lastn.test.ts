import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { readLastn } from "../../src/fhir/lastn.ts";
import { lastn } from "../../src/flows/lastn.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { put, type TestService, testService } from "../support/service.ts";

// Expectations from https://hl7.org/fhir/R4/observation-operation-lastn.html unless another page is named.
let here: TestService;

beforeAll(async () => {
  here = await testService("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

const system = "urn:example:codes";

/** Codings a, b …, or `text:` and a text. */
function codeOf(codes: string): object {
  if (codes.startsWith("text:")) return { text: codes.slice(5) };
  return { coding: codes.split(",").map((code) => ({ system, code })) };
}

function seen(patient: string, id: string, codes: string, at?: string, more: object = {}) {
  return {
    resourceType: "Observation",
    id: `${patient}-${id}`,
    status: "final",
    category: [{ coding: [{ code: "vital-signs" }] }],
    code: codeOf(codes),
    subject: { reference: `Patient/${patient}` },
    ...(at === undefined ? {} : { effectiveDateTime: at }),
    ...more,
  };
}

async function ask(patient: string, params: [string, string][] = [], tenantId = here.tenantId) {
  const asked: [string, string][] = [["patient", patient], ["category", "vital-signs"], ...params];
  const { limits, definitions } = here.service;
  const query = readLastn(definitions, asked, { handling: "strict", ...limits, nowMs: here.clock.at });
  if (!query.ok) throw new Error(JSON.stringify(query.refusals));
  const answer = await lastn(here.service, tenantId, query.value);
  if (!answer.ok) return answer.refusals.map((refusal) => refusal.status);
  return answer.value.page.matches.map((one) => one.id.slice(patient.length + 1));
}

async function patientWith(patient: string, ...observations: object[]): Promise<void> {
  await put(here, { resourceType: "Patient", id: patient }, ...(observations as never[]));
}

describe("the table of groups by code", () => {
  // One observation each of the columns a, b and c; the number of groups is how many are newest of their group.
  test.each([
    ["separate", ["a", "b", "c"], 3],
    ["two-share", ["a", "b", "a,c"], 2],
    ["translated", ["a", "b", "a,b"], 1],
    ["texts", ["text:textM", "text:Text", "text:t e x t"], 3],
  ])("%s: %s are %i groups", async (patient, codes, groups) => {
    await patientWith(patient, ...codes.map((one, i) => seen(patient, String(i), one, `2026-03-0${i + 1}T08:00:00Z`)));
    expect(await ask(patient)).toHaveLength(groups);
  });

  test("the grouping follows the transitive property of equality, however long the chain", async () => {
    const links = ["a,b", "b,c", "c,d", "d,e", "f"];
    await patientWith(
      "chain",
      ...links.map((one, i) => seen("chain", one.replace(",", "-"), one, `2026-03-0${i + 1}T08:00:00Z`)),
    );
    expect(await ask("chain")).toEqual(["f", "d-e"]);
  });

  test("codes are equivalent only where the system is the same too", async () => {
    const other = { code: { coding: [{ system: "urn:example:other", code: "a" }] } };
    const none = { code: { coding: [{ code: "a" }] } };
    await patientWith(
      "systems",
      seen("systems", "1", "a", "2026-03-01"),
      seen("systems", "2", "a", "2026-03-02", other),
      seen("systems", "3", "a", "2026-03-03", none),
    );
    expect(await ask("systems")).toEqual(["3", "2", "1"]);
  });

  test("a text beside a coding makes no group of its own", async () => {
    const worded = { code: { coding: [{ system, code: "a", display: "A" }], text: "in other words" } };
    await patientWith("worded", seen("worded", "1", "a", "2026-03-01"), seen("worded", "2", "a", "2026-03-02", worded));
    expect(await ask("worded")).toEqual(["2"]);
  });
});

describe("how many of each group", () => {
  test("without max the newest, with max so many, from the most recent to the oldest", async () => {
    await patientWith(
      "many",
      ...[1, 2, 3, 4].map((day) => seen("many", `a${day}`, "a", `2026-03-0${day}T08:00:00Z`)),
      ...[1, 2].map((day) => seen("many", `b${day}`, "b", `2026-03-0${day}T09:00:00Z`)),
    );
    expect(await ask("many")).toEqual(["a4", "b2"]);
    expect(await ask("many", [["max", "3"]])).toEqual(["a4", "a3", "b2", "a2", "b1"]);
  });

  test("in case of a tie both are returned: four instead of three where the third and the fourth are of one time", async () => {
    const days = [5, 4, 3, 3, 2];
    await patientWith("tie", ...days.map((day, i) => seen("tie", `${i}`, "a", `2026-03-0${day}T08:00:00Z`)));
    expect(await ask("tie", [["max", "3"]])).toEqual(["0", "1", "2", "3"]);
    expect(await ask("tie", [["max", "2"]])).toEqual(["0", "1"]);
  });

  test("one time in two zones is one time", async () => {
    await patientWith(
      "zones",
      seen("zones", "utc", "a", "2026-03-01T08:00:00Z"),
      seen("zones", "west", "a", "2026-03-01T03:00:00-05:00"),
    );
    expect(await ask("zones")).toEqual(["utc", "west"]);
  });

  test("a period counts from its start, and what has no time comes last", async () => {
    await patientWith(
      "timed",
      seen("timed", "none", "a"),
      seen("timed", "period", "a", undefined, { effectivePeriod: { start: "2026-03-02T08:00:00Z" } }),
      seen("timed", "moment", "a", "2026-03-01T08:00:00Z"),
    );
    expect(await ask("timed", [["max", "9"]])).toEqual(["period", "moment", "none"]);
  });
});

describe("which observations", () => {
  test("filtered by additional parameters before the newest is taken", async () => {
    await patientWith(
      "filtered",
      seen("filtered", "final", "a", "2026-03-01"),
      seen("filtered", "wrong", "a", "2026-03-02", { status: "entered-in-error" }),
    );
    // Not explicitly filtered by status, those entered in error are in.
    expect(await ask("filtered")).toEqual(["wrong"]);
    expect(await ask("filtered", [["status", "final"]])).toEqual(["final"]);
    expect(await ask("filtered", [["date", "lt2026-03-02"]])).toEqual(["final"]);
    expect(await ask("filtered", [["code", `${system}|a`]])).toEqual(["wrong"]);
  });

  test("no matches are an empty answer and no error", async () => {
    expect(await ask("nobody")).toEqual([]);
  });

  test("another tenant's observations are not among them", async () => {
    await patientWith("ours", seen("ours", "1", "a", "2026-03-01"));
    const stranger = await ensureTenant(here.database, "stranger");
    expect(await ask("ours", [], stranger.tenantId)).toEqual([]);
  });

  test("more than a page holds is refused with 422: a part of the newest would mislead", async () => {
    await patientWith("full", ...["a", "b", "c"].map((code) => seen("full", code, code, "2026-03-01")));
    const few = { ...here.service, limits: { ...here.service.limits, maxCount: 2 } };
    const query = readLastn(
      few.definitions,
      [
        ["patient", "full"],
        ["category", "vital-signs"],
      ],
      {
        handling: "strict",
        ...few.limits,
        nowMs: 0,
      },
    );
    const answer = query.ok ? await lastn(few, here.tenantId, query.value) : query;
    expect(answer).toMatchObject({ ok: false, refusals: [{ kind: "too-costly", status: 422 }] });
  });
});
