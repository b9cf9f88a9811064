import { beforeAll, expect, test } from "vitest";
import { capabilityStatement } from "../../src/fhir/capability.ts";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { selfDescription } from "../../src/fhir/self-description.ts";
import { terminologyCapabilities } from "../../src/fhir/terminology-capability.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: ["Patient"] });
});

const facts = { baseUrl: "https://gate.test/fhir", softwareVersion: "0.1.0", date: "2026-03-01" };

// https://hl7.org/fhir/R4/http.html#capabilities
test.each([undefined, "full", "normative"])("mode %s answers with the CapabilityStatement", (mode) => {
  expect(selfDescription(definitions, facts, mode)).toEqual({
    ok: true,
    value: capabilityStatement(definitions, facts),
  });
});

test("mode terminology answers with the TerminologyCapabilities", () => {
  const value = terminologyCapabilities(facts);
  expect(selfDescription(definitions, facts, "terminology")).toEqual({ ok: true, value });
});

test("any other mode is refused with those that there are", () => {
  const answer = selfDescription(definitions, facts, "brief");
  expect(answer.ok ? [] : answer.refusals).toMatchObject([{ kind: "value", at: "mode", status: 400 }]);
});
