import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { extractIndexValues } from "../../../src/fhir/search/extract.ts";
import { placedValues, placePlan } from "../../../src/fhir/search/places.ts";
import { referencesOf } from "../../../src/fhir/search/reference.ts";
import { tokenTerm } from "../../../src/fhir/search/token.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const planOf = (type: string) => placePlan([...definitions.parameters(type).values()]);
const keyOf = (code: string) => definitions.parameters("Observation").get(code)?.atoms[0]?.key ?? "";
const placed = (resource: Resource) => {
  const read = (value: unknown, key: string) => referencesOf(value, key, (one) => one);
  const { quantities, terms, placeTerms } = placedValues(planOf(resource.resourceType), resource, read);
  return { quantities, terms: [...terms], placeTerms: [...placeTerms] };
};

const part = (code: string, value: number) => ({
  code: { coding: [{ system: "http://example.org", code }] },
  valueQuantity: { value },
});
const observation = (...component: ReturnType<typeof part>[]): Resource => ({
  resourceType: "Observation",
  status: "final",
  code: { text: "session" },
  component,
});
const at = (term: string, place: number) => (BigInt(term) ^ BigInt(place)).toString();

// https://hl7.org/fhir/R4/search.html#combining: a composite looks into one element at a time.
test("composites of one element share its root, composites of the resource have none", () => {
  const { roots, keys } = planOf("Observation");
  expect(roots).toHaveLength(1);
  expect(roots[0]?.steps.map((step) => step.path)).toEqual(["Observation.component"]);
  // Code, quantity and concept of a component: each is read there and nowhere else.
  expect(keys.size).toBe(3);
  expect([...keys]).toEqual(roots[0]?.parts.map((part) => part.atom.key));
  expect(planOf("Patient")).toMatchObject({ roots: [] });
});

test("the numbers of repeated elements carry the place of theirs", () => {
  const { quantities } = placed(observation(part("inflow", 90), part("outflow", 240)));
  expect(quantities.map(({ low, place }) => [low, place])).toEqual([
    [90, 0],
    [240, 1],
  ]);
});

test("the terms of repeated elements are xored with the place of theirs", () => {
  const { placeTerms } = placed(observation(part("inflow", 90), part("outflow", 240)));
  const [inflow, outflow] = ["inflow", "outflow"].map((code) =>
    tokenTerm(keyOf("component-code"), "http://example.org", code),
  );
  expect(placeTerms).toContain(at(inflow ?? "", 0));
  expect(placeTerms).toContain(at(outflow ?? "", 1));
  expect(placeTerms).not.toContain(at(outflow ?? "", 0));
});

test("a single element needs no places: everything stands together", () => {
  const { quantities, placeTerms } = placed(observation(part("inflow", 90)));
  expect(placeTerms).toEqual([]);
  expect(quantities).toHaveLength(1);
  expect(quantities[0]).not.toHaveProperty("place");
});

test("a number of a repeated element is indexed once, by its place", () => {
  const { quantities } = extractIndexValues(definitions, observation(part("inflow", 90), part("outflow", 240)));
  expect(quantities).toHaveLength(2);
  expect(quantities.every((entry) => entry.place !== undefined)).toBe(true);
});

test("elements beyond the last place count as the last, so that none is lost", () => {
  const many = observation(...Array.from({ length: 32_770 }, (_, i) => part("inflow", i)));
  const { quantities } = placed(many);
  expect(quantities).toHaveLength(32_770);
  expect(quantities.filter((entry) => entry.place === 32_767)).toHaveLength(3);
});

test("a resource without the element has nothing placed", () => {
  expect(placed(observation())).toEqual({ quantities: [], terms: [], placeTerms: [] });
});
