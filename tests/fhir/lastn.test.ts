import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { readLastn } from "../../src/fhir/lastn.ts";

// Expectations from https://hl7.org/fhir/R4/observation-operation-lastn.html.
const definitions = createDefinitions({ types: "default" });

function read(params: [string, string][], handling: "strict" | "lenient" = "lenient") {
  return readLastn(definitions, params, { handling, defaultCount: 20, maxCount: 500, maxLinks: 3, nowMs: 0 });
}

const anna: [string, string] = ["patient", "anna"];
const vitals: [string, string] = ["category", "vital-signs"];

describe("the request for a lastn query", () => {
  test.each([
    [anna, vitals],
    [["subject", "Patient/anna"] as [string, string], vitals],
    [["subject:Patient", "anna"] as [string, string], ["code", "8867-4"] as [string, string]],
    [["patient.identifier", "urn:x|1"] as [string, string], ["combo-code", "8867-4"] as [string, string]],
    [anna, ["code-value-quantity", "8867-4$gt60"] as [string, string]],
  ])("is taken with %s and %s", (subject, code) => {
    expect(read([subject, code])).toMatchObject({ ok: true, value: { max: 1 } });
  });

  test.each([
    ["no subject", [vitals], "patient"],
    ["no category or code", [anna], "code"],
    ["an empty subject", [["patient", ""] as [string, string], vitals], "patient"],
    ["a subject that is only said to be there", [["subject:missing", "false"] as [string, string], vitals], "patient"],
    ["only a date beside the subject", [anna, ["date", "2026"] as [string, string]], "code"],
  ])("is refused with 400 with %s", (_what, params, at) => {
    expect(read(params)).toMatchObject({ ok: false, refusals: [{ at, status: 400 }] });
  });

  test("without max only the most recent of each group is wanted, with max so many", () => {
    expect(read([anna, vitals, ["max", "3"]])).toMatchObject({ ok: true, value: { max: 3 } });
  });

  // positiveInt: https://hl7.org/fhir/R4/datatypes.html#positiveInt
  test.each(["0", "-1", "1.5", "many", ""])("max=%s is refused with 400", (max) => {
    expect(read([anna, vitals, ["max", max]])).toMatchObject({ ok: false, refusals: [{ at: "max", status: 400 }] });
  });

  test("max given twice is refused", () => {
    const twice = read([anna, vitals, ["max", "1"], ["max", "2"]]);
    expect(twice).toMatchObject({ ok: false, refusals: [{ at: "max" }] });
  });

  test("may include other search parameters, which the link self repeats with max", () => {
    const answer = read([anna, ["max", "2"], vitals, ["status", "final"]]);
    expect(answer).toMatchObject({
      ok: true,
      value: { search: { used: [anna, vitals, ["status", "final"], ["max", "2"]] } },
    });
  });

  test("what the operation settles itself is ignored with a reason, and refused in strict handling", () => {
    const params: [string, string][] = [anna, vitals, ["_sort", "date"], ["_include", "Observation:subject"]];
    expect(read(params)).toMatchObject({
      ok: true,
      value: { search: { ignored: [{ name: "_sort" }, { name: "_include" }] } },
    });
    expect(read(params, "strict")).toMatchObject({ ok: false, refusals: [{ at: "_sort" }, { at: "_include" }] });
  });
});
