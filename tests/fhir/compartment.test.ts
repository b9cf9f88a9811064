import { expect, test } from "vitest";
import { patientCompartmentParameters } from "../../src/fhir/compartment.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";

// https://hl7.org/fhir/R4/compartmentdefinition-patient.html
test.each([
  ["Observation", ["subject", "performer"]],
  ["CareTeam", ["patient", "participant"]],
  ["DeviceUseStatement", ["subject"]],
  ["Location", []],
  ["Task", []],
])("%s belongs to a patient by %o", (type, parameters) => {
  expect(patientCompartmentParameters(type)).toEqual(parameters);
});

test("every parameter it names is one that the type has", () => {
  const definitions = createDefinitions({ types: "all" });
  const named = definitions.types.flatMap((type) =>
    patientCompartmentParameters(type).map((code) => [type, code] as const),
  );
  expect(named.length).toBeGreaterThan(60);
  expect(named.filter(([type, code]) => !definitions.parameters(type).has(code))).toEqual([]);
});
