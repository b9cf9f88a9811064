import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { everythingQuery, everythingRules, patientRecord, supportingOf } from "../../src/fhir/everything.ts";
import { readParameters } from "../../src/fhir/parameters.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";

// Expectations from https://hl7.org/fhir/R4/patient-operation-everything.html unless another page is named.
const definitions = createDefinitions({ types: "all" });

const maxCount = 500;

function read(...query: [string, string][]) {
  const values = readParameters(everythingRules, { query });
  return values.ok ? everythingQuery(definitions, values.value, maxCount) : values;
}

describe("the parameters of $everything", () => {
  test("in the absence of any specified types all types are wanted, and without a count as many as a page holds", () => {
    expect(read()).toEqual({ ok: true, value: { types: definitions.types, count: maxCount, used: [] } });
  });

  test("start and end are dates that both belong to the range, _since is an instant", () => {
    const answer = read(["start", "2026-03-01"], ["end", "2026-03"], ["_since", "2026-03-10T12:00:00+01:00"]);
    expect(answer).toMatchObject({
      ok: true,
      value: {
        startMs: Date.parse("2026-03-01T00:00:00Z"),
        endMs: Date.parse("2026-04-01T00:00:00Z"),
        sinceMs: Date.parse("2026-03-10T11:00:00Z"),
      },
    });
  });

  test("_type comes several times, each with types between commas", () => {
    const answer = read(["_type", "Observation,Device"], ["_type", "Patient"], ["_type", "Device"]);
    expect(answer).toMatchObject({ ok: true, value: { types: ["Device", "Observation", "Patient"] } });
  });

  test("a count above what a page holds is taken as that much", () => {
    expect(read(["_count", "100000"])).toMatchObject({ ok: true, value: { count: maxCount } });
  });

  test("the links repeat what was asked", () => {
    const answer = read(["_count", "2"], ["_type", "Flag"], ["start", "2026"]);
    expect(answer).toMatchObject({
      ok: true,
      value: {
        used: [
          ["start", "2026"],
          ["_type", "Flag"],
          ["_count", "2"],
        ],
      },
    });
  });

  test.each([
    ["start", "2026-02-30"],
    ["_since", "0000-01-01T00:00:00Z"],
    ["_since", "2026-03-10"],
    ["_type", "Hospital"],
    ["_count", "0"],
    ["_offset", "20"],
    ["patient", "anna"],
  ])("%s=%s is refused with 400", (name, value) => {
    expect(read([name, value])).toMatchObject({ ok: false, refusals: [{ status: 400 }] });
  });
});

describe("what belongs to a patient's record", () => {
  /** Whether the record of Patient/anna finds this resource by its index values. */
  function isInRecord(resource: object): boolean {
    const record = patientRecord(definitions, "anna", definitions.types);
    const index = extractIndexValues(definitions, resource as never);
    const { resourceType } = resource as { resourceType: string };
    return (
      (record.hotTypes.includes(resourceType) && index.hot.patientId === "anna") ||
      index.terms.some((term) => record.terms.includes(term))
    );
  }

  const anna = { reference: "Patient/anna" };

  // https://hl7.org/fhir/R4/compartmentdefinition-patient.html, row by row.
  test.each([
    ["Observation by its subject", { resourceType: "Observation", subject: anna }],
    ["Observation by its performer", { resourceType: "Observation", performer: [anna] }],
    ["CareTeam by a participant", { resourceType: "CareTeam", participant: [{ member: anna }] }],
    ["Group by a member", { resourceType: "Group", member: [{ entity: anna }] }],
    ["Coverage by its payor", { resourceType: "Coverage", payor: [anna] }],
    ["Patient by a link", { resourceType: "Patient", id: "old", link: [{ type: "replaced-by", other: anna }] }],
    ["Provenance by its target", { resourceType: "Provenance", target: [anna] }],
    ["DeviceUseStatement by its subject", { resourceType: "DeviceUseStatement", subject: anna }],
    ["QuestionnaireResponse by its author", { resourceType: "QuestionnaireResponse", author: anna }],
    ["Appointment by an actor", { resourceType: "Appointment", participant: [{ actor: anna }] }],
  ])("%s", (_what, resource) => {
    expect(isInRecord(resource)).toBe(true);
  });

  // R4 keeps Task out of the compartment; the operation may return whatever is "related to the patient".
  test("Task by whom it is for", () => {
    expect(isInRecord({ resourceType: "Task", for: anna })).toBe(true);
  });

  test.each([
    ["an Observation of another patient", { resourceType: "Observation", subject: { reference: "Patient/ben" } }],
    ["an Observation that only looks at the patient", { resourceType: "Observation", focus: [anna] }],
    ["a Device that the patient has", { resourceType: "Device", patient: anna }],
    ["a Group of the same id", { resourceType: "Observation", subject: { reference: "Group/anna" } }],
  ])("but not %s", (_what, resource) => {
    expect(isInRecord(resource)).toBe(false);
  });

  test("only of the types that are wanted", () => {
    const record = patientRecord(definitions, "anna", ["Flag"]);
    expect(record).toMatchObject({ withPatient: false, hotTypes: ["Flag"] });
  });
});

describe("what a record needs beside itself", () => {
  test("linked practitioners, medications, locations, organizations and devices, whatever element names them", () => {
    const observation = {
      resourceType: "Observation",
      subject: { reference: "Patient/anna" },
      performer: [{ reference: "Practitioner/rowan" }, { reference: "Organization/reedmere/_history/3" }],
      device: { reference: "Device/hush" },
      extension: [{ url: "urn:example:where", valueReference: { reference: "Location/ward" } }],
    };
    const dispense = { resourceType: "MedicationDispense", medicationReference: { reference: "Medication/mist" } };
    const found = supportingOf(definitions, [observation, dispense], definitions.types);
    expect([...found.references].sort()).toEqual([
      "Device/hush",
      "Location/ward",
      "Medication/mist",
      "Organization/reedmere",
      "Practitioner/rowan",
    ]);
  });

  test("binaries of attachments", () => {
    const document = { resourceType: "DocumentReference", content: [{ attachment: { url: "Binary/scan" } }] };
    expect(supportingOf(definitions, [document], definitions.types).references).toEqual(["Binary/scan"]);
  });

  test("the Questionnaire that was answered, by its canonical url as the index holds it", () => {
    const url = "https://example.org/Questionnaire/breath";
    const response = { resourceType: "QuestionnaireResponse", questionnaire: `${url}|2` };
    const { terms } = supportingOf(definitions, [response], definitions.types);
    const index = extractIndexValues(definitions, { resourceType: "Questionnaire", url } as never);
    expect(terms.length).toBeGreaterThan(0);
    expect(terms.every((term) => index.terms.includes(term))).toBe(true);
  });

  test("never what belongs to some patient: it comes by the compartment or not at all", () => {
    const observation = {
      resourceType: "Observation",
      focus: [{ reference: "Patient/ben" }],
      hasMember: [{ reference: "Observation/of-ben" }],
      basedOn: [{ reference: "Task/of-ben" }],
    };
    expect(supportingOf(definitions, [observation], definitions.types)).toEqual({ references: [], terms: [] });
  });

  test("contained, absolute and unknown references lead nowhere", () => {
    const references = ["#part", "https://example.org/fhir/Device/one", "urn:uuid:1", "Hospital/x", "Device/"];
    const list = { resourceType: "List", entry: references.map((reference) => ({ item: { reference } })) };
    expect(supportingOf(definitions, [list], definitions.types).references).toEqual([]);
  });

  test("only of the types that are wanted", () => {
    const observation = { device: { reference: "Device/hush" }, performer: [{ reference: "Practitioner/rowan" }] };
    expect(supportingOf(definitions, [observation], ["Observation", "Device"]).references).toEqual(["Device/hush"]);
  });
});
