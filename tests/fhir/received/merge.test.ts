import type { Patient, Resource } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { movesWithMerge, repointed, retiredAfter, survivorAfter } from "../../../src/fhir/received/merge.ts";
import { identifierSystems } from "../../../src/fhir/terminology/canonical.ts";

const patient = (id: string, more: Partial<Patient> = {}): Patient => ({
  resourceType: "Patient",
  id,
  identifier: [{ system: "urn:a", value: id }],
  ...more,
});

describe("after a merge", () => {
  test("each of the two says what the other is", () => {
    expect(survivorAfter(patient("keep"), patient("gone"), [])).toMatchObject({
      link: [{ type: "replaces", other: { reference: "Patient/gone" } }],
      identifier: [{ value: "keep" }, { value: "gone", use: "old" }],
    });
    expect(retiredAfter(patient("gone"), "keep")).toMatchObject({
      active: false,
      link: [{ type: "replaced-by", other: { reference: "Patient/keep" } }],
    });
  });

  test("done twice, they say it once", () => {
    const once = survivorAfter(patient("keep"), patient("gone"), []);
    expect(survivorAfter(once, patient("gone"), [])).toEqual(once);
    const out = retiredAfter(patient("gone"), "keep");
    expect(retiredAfter(out, "keep")).toEqual(out);
  });

  test("who died by one record has died, unless the other says something of it itself", () => {
    const died = patient("gone", { deceasedDateTime: "2026-06-01" });
    expect(survivorAfter(patient("keep"), died, []).deceasedDateTime).toBe("2026-06-01");
    const said = survivorAfter(patient("keep", { deceasedBoolean: false }), died, []);
    expect([said.deceasedBoolean, said.deceasedDateTime]).toEqual([false, undefined]);
  });

  test("a number that both carry stays as the survivor has it", () => {
    const both = patient("gone", { identifier: [{ system: "urn:a", value: "keep" }] });
    expect(survivorAfter(patient("keep"), both, []).identifier).toEqual([{ system: "urn:a", value: "keep" }]);
  });
});

describe("what points to the retired record", () => {
  const local = (reference: string) => reference.replace("https://gate.test/fhir/", "");

  test("points to the other, at any depth, by any address of ours; other people and the past stay", () => {
    const before = {
      subject: { reference: "Patient/gone" },
      list: [{ who: { reference: "https://gate.test/fhir/Patient/gone" } }, { who: { reference: "Patient/gone-2" } }],
      past: { reference: "Patient/gone/_history/1" },
      note: "Patient/gone",
    };
    expect(repointed(before, "gone", "keep", local)).toEqual({
      subject: { reference: "Patient/keep" },
      list: [{ who: { reference: "Patient/keep" } }, { who: { reference: "Patient/gone-2" } }],
      past: { reference: "Patient/gone/_history/1" },
      note: "Patient/gone",
    });
  });

  test("but for what tells of the past, and the service's own Tasks, which follow from a review", () => {
    const of = (resource: object) => movesWithMerge(resource as Resource);
    expect(of({ resourceType: "Flag" })).toBe(true);
    expect(of({ resourceType: "Provenance" })).toBe(false);
    expect(of({ resourceType: "Task" })).toBe(true);
    expect(of({ resourceType: "Task", identifier: [{ system: identifierSystems.finding, value: "x" }] })).toBe(false);
  });
});
