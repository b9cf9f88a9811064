import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { readMatchRequest } from "../../src/fhir/match-request.ts";

const definitions = createDefinitions({ types: ["Observation", "Patient"] });
const patient = { resourceType: "Patient", birthDate: "1984-03-07" };
const parameters = (...parameter: unknown[]) => ({ resourceType: "Parameters", parameter });
const read = (body: unknown) => readMatchRequest(definitions, JSON.stringify(body));

describe("the parameters of $match (https://hl7.org/fhir/R4/patient-operation-match.html)", () => {
  test("are the Patient, onlyCertainMatches and count", () => {
    const body = parameters(
      { name: "count", valueInteger: 3 },
      { name: "resource", resource: patient },
      { name: "onlyCertainMatches", valueBoolean: true },
    );
    expect(read(body)).toEqual({ ok: true, value: { patient, onlyCertainMatches: true, count: 3 } });
  });

  test("may be left out but for the Patient, which may also be sent alone", () => {
    const value = { patient, onlyCertainMatches: false };
    expect(read(parameters({ name: "resource", resource: patient }))).toEqual({ ok: true, value });
    expect(read(patient)).toEqual({ ok: true, value });
  });

  test("the Patient may lack what a stored one must have, as the page says of fragments", () => {
    // A contact must have a name, telecom, address or organization (pat-1 of https://hl7.org/fhir/R4/patient.html).
    const fragment = { ...patient, contact: [{ gender: "female" }], link: [{ type: "seealso" }] };
    expect(read(fragment).ok).toBe(true);
  });

  test.each([
    ["another resource", { resourceType: "Observation" }, "resourceType"],
    ["no Patient", parameters({ name: "count", valueInteger: 3 }), "Parameters.parameter"],
    ["no parameters at all", { resourceType: "Parameters" }, "Parameters.parameter"],
    ["a null for a parameter", parameters(null), "Parameters.parameter[0].name"],
    [
      "an unknown parameter",
      parameters({ name: "resource", resource: patient }, { name: "onlySure" }),
      "Parameters.parameter[1].name",
    ],
    [
      "a parameter given twice",
      parameters({ name: "resource", resource: patient }, { name: "resource", resource: patient }),
      "Parameters.parameter[1].name",
    ],
    [
      "onlyCertainMatches as text",
      parameters({ name: "resource", resource: patient }, { name: "onlyCertainMatches", valueString: "true" }),
      "Parameters.parameter[1]",
    ],
    [
      "a count of nothing",
      parameters({ name: "count", valueInteger: 0 }, { name: "resource", resource: patient }),
      "Parameters.parameter[0]",
    ],
    [
      "a resource of another type",
      parameters({ name: "resource", resource: { resourceType: "Observation" } }),
      "Parameters.parameter[0].resource",
    ],
    [
      "a Patient whose name is a text",
      parameters({ name: "resource", resource: { ...patient, name: "Ada" } }),
      "Parameters.parameter[0].resource",
    ],
  ])("%s is refused with 400 and its place", (_, body, at) => {
    const answer = read(body);
    expect(answer.ok).toBe(false);
    if (answer.ok) return;
    expect(answer.refusals[0]?.at).toBe(at);
    expect(answer.refusals[0]?.status).toBe(400);
  });

  test("what is no JSON is refused with its place in the text", () => {
    const answer = readMatchRequest(definitions, '{"resourceType":');
    expect(answer.ok).toBe(false);
    if (!answer.ok) expect(answer.refusals[0]?.detail).toContain("line 1");
  });
});
