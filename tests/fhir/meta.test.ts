import { describe, expect, test } from "vitest";
import { readJson } from "../../src/fhir/json.ts";
import { metaParameter, metaReturnText, withMetaAdded, withMetaRemoved } from "../../src/fhir/meta.ts";

const tags = "http://example.org/codes/tags";

// The request and the answer that both pages show for Patient/example.
const current = { system: tags, code: "current", display: "Current Inpatient" };
const recordLost = { system: tags, code: "record-lost", display: "Patient File Lost" };
const profile = "http://hl7.org/fhir/StructureDefinition/daf-patient";

describe("$meta-add (https://hl7.org/fhir/R4/resource-operation-meta-add.html)", () => {
  test("the example of the page gets its second tag", () => {
    const patient = { resourceType: "Patient", id: "example", meta: { profile: [profile], tag: [current] } };
    expect(withMetaAdded(patient, { tag: [recordLost] })).toEqual({
      resourceType: "Patient",
      id: "example",
      meta: { profile: [profile], tag: [current, recordLost] },
    });
  });

  test("a resource without meta gets one", () => {
    expect(withMetaAdded({ resourceType: "Patient" }, { profile: [profile], security: [{ code: "R" }] })).toEqual({
      resourceType: "Patient",
      meta: { profile: [profile], security: [{ code: "R" }] },
    });
  });

  test("duplicates are not created: version and display are ignored when labels are matched", () => {
    const patient = { resourceType: "Patient", meta: { tag: [current], profile: [profile] } };
    const again = { tag: [{ system: tags, code: "current", version: "2", display: "Here" }], profile: [profile] };
    expect(withMetaAdded(patient, again)).toBe(patient);
    const twice = withMetaAdded({ resourceType: "Patient" }, { tag: [recordLost, { ...recordLost, version: "3" }] });
    expect(twice).toEqual({ resourceType: "Patient", meta: { tag: [recordLost] } });
  });

  test("the identity of a label is the system and the code, of a profile its full url", () => {
    const patient = { resourceType: "Patient", meta: { tag: [current], profile: [profile] } };
    const other = { tag: [{ system: "http://example.org/other", code: "current" }, { code: "current" }] };
    expect(withMetaAdded(patient, { ...other, profile: [`${profile}|1.0`] })).toEqual({
      resourceType: "Patient",
      meta: { tag: [current, ...other.tag], profile: [profile, `${profile}|1.0`] },
    });
  });

  test("only profiles, tags and security labels are taken from what was sent", () => {
    const patient = { resourceType: "Patient", meta: { versionId: "1" } };
    const sent = { versionId: "9", lastUpdated: "2020-01-01T00:00:00Z", source: "urn:other", tag: [current] };
    expect(withMetaAdded(patient, sent)).toEqual({
      resourceType: "Patient",
      meta: { versionId: "1", tag: [current] },
    });
  });

  test("numbers elsewhere in the resource stay as they were written (https://hl7.org/fhir/R4/datatypes.html#decimal)", () => {
    const read = readJson('{"resourceType":"Observation","valueQuantity":{"value":1.50}}');
    const exact = read.ok ? read.value.exact : undefined;
    expect(JSON.stringify(withMetaAdded(exact, { tag: [{ code: "x" }] }))).toBe(
      '{"resourceType":"Observation","valueQuantity":{"value":1.50},"meta":{"tag":[{"code":"x"}]}}',
    );
  });
});

describe("$meta-delete (https://hl7.org/fhir/R4/resource-operation-meta-delete.html)", () => {
  test("a tag goes whatever version and display it is named with", () => {
    const patient = { resourceType: "Patient", meta: { tag: [current, recordLost] } };
    expect(withMetaRemoved(patient, { tag: [{ system: tags, code: "current", display: "Other words" }] })).toEqual({
      resourceType: "Patient",
      meta: { tag: [recordLost] },
    });
  });

  test("it is no error to name what is not there", () => {
    const patient = { resourceType: "Patient", meta: { tag: [current] } };
    expect(withMetaRemoved(patient, { tag: [recordLost], security: [{ code: "R" }], profile: [profile] })).toBe(
      patient,
    );
    const bare = { resourceType: "Patient" };
    expect(withMetaRemoved(bare, { tag: [recordLost] })).toBe(bare);
  });

  test("an emptied list is left out, because FHIR JSON has no empty arrays (https://hl7.org/fhir/R4/json.html)", () => {
    const patient = { resourceType: "Patient", meta: { versionId: "2", profile: [profile], tag: [current] } };
    expect(withMetaRemoved(patient, { profile: [profile], tag: [current] })).toEqual({
      resourceType: "Patient",
      meta: { versionId: "2" },
    });
  });

  test("an extension stays beside its own profile (https://hl7.org/fhir/R4/json.html#primitive)", () => {
    const extension = { extension: [{ url: "http://example.org/why", valueString: "because" }] };
    const patient = { resourceType: "Patient", meta: { profile: ["urn:a", "urn:b"], _profile: [null, extension] } };
    expect(withMetaRemoved(patient, { profile: ["urn:a"] })).toEqual({
      resourceType: "Patient",
      meta: { profile: ["urn:b"], _profile: [extension] },
    });
    expect(withMetaAdded(patient, { profile: ["urn:c"] })).toEqual({
      resourceType: "Patient",
      meta: { profile: ["urn:a", "urn:b", "urn:c"], _profile: [null, extension, null] },
    });
  });
});

describe("the Parameters of both operations (https://hl7.org/fhir/R4/operations.html#request)", () => {
  const parameters = (...parameter: unknown[]) => ({ resourceType: "Parameters", parameter });

  test("the one parameter meta is read", () => {
    expect(metaParameter(parameters({ name: "meta", valueMeta: { tag: [current] } }))).toEqual({
      ok: true,
      value: { tag: [current] },
    });
  });

  test.each([
    ["another resource", { resourceType: "Patient" }, "resourceType"],
    ["no parameter", { resourceType: "Parameters" }, "Parameters.parameter"],
    ["null for a parameter", parameters(null), "Parameters.parameter[0]"],
    ["another parameter", parameters({ name: "mode" }), "Parameters.parameter[0]"],
    ["two of them", parameters({ name: "meta" }, { name: "meta" }), "Parameters.parameter"],
    ["a value that is no Meta", parameters({ name: "meta", valueString: "x" }), "Parameters.parameter[0].valueMeta"],
    [
      "a tag that is text",
      parameters({ name: "meta", valueMeta: { tag: ["x"] } }),
      "Parameters.parameter[0].valueMeta.tag",
    ],
    [
      "a label without a code",
      parameters({ name: "meta", valueMeta: { security: [{ system: "urn:x" }] } }),
      "Parameters.parameter[0].valueMeta.security",
    ],
    [
      "a profile that is an object",
      parameters({ name: "meta", valueMeta: { profile: [{}] } }),
      "Parameters.parameter[0].valueMeta.profile",
    ],
  ])("%s is refused with the place it stands at", (_what, sent, at) => {
    expect(metaParameter(sent)).toMatchObject({ ok: false, refusals: [{ at, status: 400 }] });
  });

  test("the answer is a Parameters resource whose one parameter is named return", () => {
    expect(JSON.parse(metaReturnText({ tag: [current] }))).toEqual({
      resourceType: "Parameters",
      parameter: [{ name: "return", valueMeta: { tag: [current] } }],
    });
  });

  test("where no label is in use nothing empty is answered (https://hl7.org/fhir/R4/json.html)", () => {
    expect(metaReturnText({})).toBe('{"resourceType":"Parameters"}');
  });
});
