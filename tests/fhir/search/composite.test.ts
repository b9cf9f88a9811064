import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { officialSearchParameters } from "../../../src/fhir/r4/search-parameters.ts";
import { compileAtom } from "../../../src/fhir/search/atoms.ts";
import { compositeRoots } from "../../../src/fhir/search/composite.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const rootsOf = (type: string, code: string) => definitions.parameters(type).get(code)?.roots ?? [];
const keysOf = (type: string, code: string) =>
  (definitions.parameters(type).get(code)?.atoms ?? []).map((atom) => atom.key);

// https://hl7.org/fhir/R4/search.html#combining, expressions as in https://hl7.org/fhir/R4/observation.html#search
test("a composite of the resource has one root, the resource whole", () => {
  const [root, ...more] = rootsOf("Observation", "code-value-quantity");
  expect(more).toEqual([]);
  expect(root).toMatchObject({ path: "Observation", whole: true });
  expect(root?.parts.map((part) => part.kind)).toEqual(["token", "quantity"]);
});

test("a composite over elements takes the parts of each element together", () => {
  const [root] = rootsOf("Observation", "component-code-value-quantity");
  expect(root).toMatchObject({ path: "Observation.component", whole: false });
  expect(rootsOf("Observation", "combo-code-value-quantity").map((one) => one.path)).toEqual([
    "Observation",
    "Observation.component",
  ]);
});

test("a part is keyed as the parameter that asks for it alone, so that both share its entries", () => {
  const [whole] = rootsOf("Observation", "code-value-quantity");
  expect(whole?.parts[0]?.atoms.map((atom) => atom.key)).toEqual(keysOf("Observation", "code"));
  const [element] = rootsOf("Observation", "component-code-value-quantity");
  expect(element?.parts[0]?.atoms.map((atom) => atom.key)).toEqual(keysOf("Observation", "component-code"));
  const values = element?.parts[1]?.atoms.map((atom) => atom.key) ?? [];
  expect(values).toHaveLength(1);
  expect(keysOf("Observation", "component-value-quantity")).toEqual(expect.arrayContaining(values));
});

test("a part relative to the resource starts at the resource, and a cast stands around its path", () => {
  const atomOf = (type: string, kind: string, operand: string) =>
    compileAtom(
      type,
      kind,
      operand,
      () => [],
      () => [],
    );
  const components = [
    { kind: "token" as const, expression: "code" },
    { kind: "date" as const, expression: "value.as(DateTime) | value.as(Period)" },
    { kind: "uri" as const, expression: "%resource.url" },
  ];
  const [root] = compositeRoots("Thing", ["Thing.part"], components, atomOf);
  expect(root?.parts.map((part) => part.atoms.map((atom) => atom.text))).toEqual([
    ["Thing.part.code"],
    ["(Thing.part.value as dateTime)", "(Thing.part.value as Period)"],
    ["Thing.url"],
  ]);
});

test("every composite that R4 defines has roots, and every part of it an operand that can be read", () => {
  const composites = officialSearchParameters().filter((one) => one.type === "composite" && one.expression);
  expect(composites.length).toBeGreaterThan(20);
  for (const { code, base, component } of composites) {
    for (const type of base) {
      const roots = rootsOf(type, code);
      expect(roots.length, `${type} ${code}`).toBeGreaterThan(0);
      for (const root of roots) {
        expect(root.parts.length, `${type} ${code}`).toBe(component?.length);
        for (const atom of root.parts.flatMap((part) => part.atoms))
          expect(() => atom.read({ resourceType: type }), atom.text).not.toThrow();
      }
    }
  }
});
