import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { officialSearchParameters } from "../../../src/fhir/r4/search-parameters.ts";
import { compositeClause } from "../../../src/fhir/search/composite-clause.ts";
import { answers, clause, contextOf, refusal } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "all" });
});

const concept = (code: string) => ({ coding: [{ system: "http://example.org", code }] });
const amount = (value: number) => ({ value, unit: "L/min", system: "http://unitsofmeasure.org", code: "L/min" });

const session: Resource = {
  resourceType: "Observation",
  id: "o",
  status: "final",
  code: concept("session"),
  effectiveDateTime: "2026-03-01",
  valueQuantity: amount(12),
  component: [
    { code: concept("inflow"), valueQuantity: amount(90) },
    { code: concept("outflow"), valueQuantity: amount(240) },
    { code: concept("mode"), valueCodeableConcept: concept("automatic") },
  ],
};

// https://hl7.org/fhir/R4/search.html#combining: both parts of a composite hold of the same element.
test.each([
  ["code-value-quantity", "session$12", true],
  ["code-value-quantity", "session$gt20", false],
  ["code-value-quantity", "inflow$90", false],
  ["component-code-value-quantity", "inflow$90", true],
  ["component-code-value-quantity", "outflow$gt200|http://unitsofmeasure.org|L/min", true],
  ["component-code-value-quantity", "outflow$4|http://unitsofmeasure.org|L/s", true],
  ["component-code-value-quantity", "inflow$gt200", false],
  ["component-code-value-quantity", "inflow$240,outflow$240", true],
  ["component-code-value-quantity", "mode$90", false],
  ["combo-code-value-quantity", "session$12", true],
  ["combo-code-value-quantity", "outflow$240", true],
  ["combo-code-value-quantity", "session$240", false],
  ["component-code-value-concept", "mode$http://example.org|automatic", true],
  ["component-code-value-concept", "inflow$automatic", false],
  ["code-value-date", "session$2026", false],
])("of a session, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, session, name, value)).toBe(expected);
});

test("a single element needs no places: its parts stand together anyway", () => {
  const one: Resource = {
    resourceType: "Observation",
    status: "final",
    code: concept("session"),
    component: [{ code: concept("inflow"), valueQuantity: amount(90) }],
  };
  expect(answers(definitions, one, "component-code-value-quantity", "inflow$90")).toBe(true);
  expect(answers(definitions, one, "component-code-value-quantity", "outflow$90")).toBe(false);
});

// Group's characteristic-value: https://hl7.org/fhir/R4/group.html#search
test("the characteristics of a group are told apart", () => {
  const group: Resource = {
    resourceType: "Group",
    type: "person",
    actual: false,
    characteristic: [
      { code: concept("ward"), valueCodeableConcept: concept("north"), exclude: false },
      { code: concept("unit"), valueCodeableConcept: concept("south"), exclude: false },
    ],
  };
  expect(answers(definitions, group, "characteristic-value", "ward$north")).toBe(true);
  expect(answers(definitions, group, "characteristic-value", "ward$south")).toBe(false);
});

test.each(["session", "session$", "$12", "session$12$13"])(
  "%s has not one value for each part and is refused",
  (value) => {
    const refused = refusal(contextOf(definitions), "Observation", "code-value-quantity", value);
    expect(refused).toMatchObject({ kind: "value", at: "code-value-quantity", status: 400 });
    expect(refused?.detail).toContain("token$quantity");
  },
);

test("a part that its kind cannot read is refused", () => {
  expect(refusal(contextOf(definitions), "Observation", "code-value-quantity", "session$much")?.kind).toBe("value");
  expect(refusal(contextOf(definitions), "Observation", "code-value-date", "session$lately")?.kind).toBe("value");
});

// https://hl7.org/fhir/R4/search.html#escaping: "\$" belongs to the value.
test("an escaped dollar belongs to its part", () => {
  const priced: Resource = { ...session, code: concept("a$b") };
  expect(answers(definitions, priced, "code-value-quantity", "a\\$b$12")).toBe(true);
});

test("alternatives and roots are joined by OR", () => {
  const parameter = definitions.parameters("Observation").get("combo-code-value-quantity");
  if (parameter === undefined) throw new Error("R4 has it");
  const read = compositeClause(contextOf(definitions), "Observation", parameter, parameter.code, ["a$1", "b$2"]);
  expect(read).toMatchObject({
    ok: true,
    value: { kind: "any", of: [{ kind: "all" }, { kind: "together" }, { kind: "all" }, { kind: "together" }] },
  });
});

const samples: Readonly<Record<string, string>> = {
  token: "a",
  reference: "Patient/1",
  uri: "http://example.org",
  string: "a",
  date: "2026",
  number: "1",
  quantity: "1",
};

test("every composite that R4 defines can be asked for", () => {
  const composites = officialSearchParameters().filter((one) => one.type === "composite" && one.expression);
  expect(composites.length).toBeGreaterThan(20);
  for (const { code, base } of composites) {
    for (const type of base) {
      const [root] = definitions.parameters(type).get(code)?.roots ?? [];
      const value = (root?.parts ?? []).map((part) => samples[part.kind]).join("$");
      expect(["all", "any", "together"], `${type} ${code}`).toContain(
        clause(contextOf(definitions), type, code, value).kind,
      );
    }
  }
});
