import { beforeAll, expect, test } from "vitest";
import { checkContained } from "../../../src/fhir/checks/contained.ts";
import { startVisit } from "../../../src/fhir/checks/findings.ts";
import { walkResource } from "../../../src/fhir/checks/walk.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

function faults(resource: Record<string, unknown>): string[] {
  const visit = startVisit(resource, () => undefined);
  walkResource(visit, resource, "Observation", "Observation");
  checkContained(visit, "Observation");
  return visit.errors.map((one) => `${one.at}: ${one.detail.slice(0, 22)}`);
}

const observation = { resourceType: "Observation", status: "final", code: { text: "peak cough flow" } };
const patient = { resourceType: "Patient", id: "p" };

// Rule dom-3 at https://hl7.org/fhir/R4/domainresource.html#invs
test("a contained resource that something points to is taken", () => {
  expect(faults({ ...observation, contained: [patient], subject: { reference: "#p" } })).toEqual([]);
});

test("a contained resource may be pointed to by another one, or point to the resource around it", () => {
  const organization = { resourceType: "Organization", id: "o", name: "Ward" };
  const inside = { ...patient, managingOrganization: { reference: "#o" } };
  expect(faults({ ...observation, contained: [inside, organization], subject: { reference: "#p" } })).toEqual([]);
  const provenance = {
    resourceType: "Provenance",
    id: "v",
    target: [{ reference: "#" }],
    recorded: "2026-01-01T00:00:00Z",
    agent: [{ who: { display: "A nurse" } }],
  };
  expect(faults({ ...observation, contained: [provenance] })).toEqual([]);
});

test("a contained resource that nothing points to is refused", () => {
  expect(faults({ ...observation, contained: [patient] })).toEqual([
    "Observation.contained[0]: Constraint dom-3 not m",
  ]);
});

// https://hl7.org/fhir/R4/references.html#contained: an id is what tells contained resources apart.
test("two contained resources with one id are refused", () => {
  const twice = { ...observation, contained: [patient, patient], subject: { reference: "#p" } };
  expect(faults(twice)).toEqual(["Observation.contained[1].id: Two contained resource"]);
});
