import fc from "fast-check";
import { expect, test } from "vitest";
import { acceptPatch, applyPatch } from "../../../src/fhir/patch/patch.ts";

const patient = { resourceType: "Patient", id: "p", active: true };

function answer(contentType: string, text: string) {
  const found = applyPatch(patient, contentType, text);
  return found.ok ? found.value : found.refusals[0];
}

const jsonPatch = '[{"op":"replace","path":"/active","value":false}]';

const fhirPathPatch = JSON.stringify({
  resourceType: "Parameters",
  parameter: [
    {
      name: "operation",
      part: [
        { name: "type", valueCode: "replace" },
        { name: "path", valueString: "Patient.active" },
        { name: "value", valueBoolean: false },
      ],
    },
  ],
});

// https://hl7.org/fhir/R4/http.html#patch: JSON Patch, XML Patch and FHIRPath Patch, told apart by Content-Type.
test.each([
  ["application/json-patch+json", jsonPatch],
  ["Application/JSON-Patch+json; charset=utf-8", jsonPatch],
  ["application/fhir+json", fhirPathPatch],
  ["application/fhir+json;fhirVersion=4.0", fhirPathPatch],
])("a patch as %s is applied", (contentType, text) => {
  expect(answer(contentType, text)).toEqual({ ...patient, active: false });
});

// RFC 5789, 2.2: an unsupported patch document answers 415 and names those that are supported in Accept-Patch.
test.each([
  "application/xml-patch+xml",
  "application/fhir+xml",
  "application/merge-patch+json",
  "application/json",
  "text/plain",
  "",
])("a patch as %s is refused with 415 and told what is taken", (contentType) => {
  expect(answer(contentType, jsonPatch)).toMatchObject({ kind: "not-supported", status: 415 });
  expect(answer(contentType, jsonPatch)).toHaveProperty("detail", expect.stringContaining(acceptPatch));
});

test("a JSON Patch that is not JSON is refused with line and column", () => {
  expect(answer("application/json-patch+json", '[{"op":\n"add",}]')).toMatchObject({
    status: 400,
    detail: "The body is not JSON: line 2, column 7.",
  });
});

test("a JSON Patch that is not an array is refused, whatever stands around it", () => {
  for (const text of ["{}", "3", "null", '"[]"', '{"operations":[]}']) {
    expect(answer("application/json-patch+json", text)).toMatchObject({ kind: "structure", status: 400 });
  }
  expect(answer("application/json-patch+json", '[],"more":[]')).toMatchObject({ kind: "structure", status: 400 });
});

test("a resource that is no Parameters, and a FHIRPath Patch under the type of a JSON Patch, are refused with 400", () => {
  expect(answer("application/fhir+json", JSON.stringify(patient))).toMatchObject({ status: 400 });
  expect(answer("application/json-patch+json", fhirPathPatch)).toMatchObject({ status: 400 });
  expect(answer("application/fhir+json", jsonPatch)).toMatchObject({ status: 400 });
});

test("a patch nested too deep to read is refused", () => {
  const deep = `[{"op":"add","path":"/active","value":${"[".repeat(80)}${"]".repeat(80)}}]`;
  expect(answer("application/json-patch+json", deep)).toMatchObject({ kind: "structure", status: 400 });
});

test("any text under any content type is applied or refused, never broken off", () => {
  const types = fc.constantFrom("application/json-patch+json", "application/fhir+json", "text/html");
  const texts = fc.oneof(fc.string(), fc.json(), fc.constantFrom(jsonPatch, fhirPathPatch));
  fc.assert(
    fc.property(types, texts, (contentType, text) => {
      const found = applyPatch(patient, contentType, text);
      if (!found.ok) expect([400, 415, 422]).toContain(found.refusals[0]?.status);
    }),
  );
});

// RFC 6902, A.13: a document with a member `op` twice is invalid; which of the two a reader keeps would be chance.
test("example A.13, whose member op is there twice, is refused", () => {
  const text = '[{"op":"add","path":"/baz","value":"qux","op":"remove"}]';
  const answer = applyPatch({ foo: "bar" }, "application/json-patch+json", text);
  expect(answer).toMatchObject({ ok: false, refusals: [{ kind: "structure", status: 400 }] });
});
