import type { CodeSystem, ValueSet, ValueSetComposeInclude } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { type CodeSources, codeListOf, codeTableOf } from "../../../src/fhir/terminology/code-table.ts";
import { composedCodes } from "../../../src/fhir/terminology/compose.ts";

const tree: CodeSystem = {
  resourceType: "CodeSystem",
  url: "urn:tree",
  status: "active",
  content: "complete",
  concept: [
    {
      code: "plant",
      display: "Plant",
      property: [{ code: "notSelectable", valueBoolean: true }],
      concept: [
        { code: "tree", display: "Tree", concept: [{ code: "oak", display: "Oak" }] },
        { code: "moss", display: "Moss", property: [{ code: "status", valueCode: "retired" }] },
      ],
    },
    { code: "stone", display: "Stone", property: [{ code: "hard", valueBoolean: true }] },
  ],
};
const part: CodeSystem = {
  resourceType: "CodeSystem",
  url: "urn:part",
  status: "active",
  content: "fragment",
  concept: [{ code: "a" }],
};

const list = (url: string, include: ValueSetComposeInclude[], more: Partial<ValueSet["compose"]> = {}): ValueSet => ({
  resourceType: "ValueSet",
  url,
  status: "active",
  compose: { include, ...more },
});

function codes(valueSet: ValueSet, others: ValueSet[] = []) {
  const tables = [tree, part].map(codeTableOf);
  const lists = [valueSet, ...others].map(codeListOf);
  const sources: CodeSources = {
    codeTable: (url) => tables.find((one) => one.url === url),
    codeList: (url) => lists.find((one) => one.url === url),
  };
  const composed = composedCodes(codeListOf(valueSet), sources);
  if (!composed.ok) return composed.refusals[0]?.detail;
  return [...composed.value].flatMap(([system, displays]) => [...displays.keys()].map((code) => `${system}#${code}`));
}

const filtered = (property: string, op: string, value: string) =>
  list("urn:vs", [{ system: "urn:tree", filter: [{ property, op: op as "is-a", value }] }]);

// https://hl7.org/fhir/R4/valueset-filter-operator.html: what each operator takes in.
test.each([
  ["concept", "is-a", "tree", ["tree", "oak"]],
  ["concept", "descendent-of", "tree", ["oak"]],
  ["concept", "is-not-a", "tree", ["plant", "moss", "stone"]],
  ["concept", "in", "oak, stone", ["oak", "stone"]],
  ["concept", "not-in", "oak,stone", ["plant", "tree", "moss"]],
  ["concept", "=", "oak", ["oak"]],
  ["parent", "=", "plant", ["tree", "moss"]],
  ["child", "=", "oak", ["tree"]],
  ["hard", "=", "true", ["stone"]],
  ["hard", "exists", "true", ["stone"]],
  ["hard", "exists", "false", ["plant", "tree", "oak", "moss"]],
  ["status", "not-in", "retired", ["plant", "tree", "oak", "stone"]],
] as const)("the filter %s %s %s takes in what the operator says", (property, op, value, expected) => {
  expect(codes(filtered(property, op, value))).toEqual(expected.map((code) => `urn:tree#${code}`));
});

test("a filter that is not understood is refused with its name, and never taken as fulfilled", () => {
  expect(codes(filtered("code", "regex", "(a+)+$"))).toBe(
    "The filter code regex (a+)+$ on urn:tree is not understood here.",
  );
  expect(codes(filtered("colour", "=", "green"))).toMatch("not understood");
});

// https://hl7.org/fhir/R4/valueset.html#compositions
test("includes add up, excludes take away, and value sets within one include are met together", () => {
  const woods = list("urn:woods", [{ system: "urn:tree", concept: [{ code: "tree" }, { code: "oak" }] }]);
  const joined = list("urn:vs", [{ system: "urn:tree", concept: [{ code: "stone" }] }, { valueSet: ["urn:woods"] }]);
  expect(codes(joined, [woods])).toEqual(["urn:tree#stone", "urn:tree#tree", "urn:tree#oak"]);
  const common = list("urn:vs", [
    {
      system: "urn:tree",
      filter: [{ property: "concept", op: "descendent-of", value: "tree" }],
      valueSet: ["urn:woods"],
    },
  ]);
  expect(codes(common, [woods])).toEqual(["urn:tree#oak"]);
  const less = list("urn:vs", [{ system: "urn:tree" }], {
    exclude: [{ system: "urn:tree", concept: [{ code: "plant" }] }],
  });
  expect(codes(less)).toEqual(["urn:tree#tree", "urn:tree#oak", "urn:tree#moss", "urn:tree#stone"]);
});

test("a value set that wants no inactive codes leaves retired ones out", () => {
  // ValueSet.compose.inactive, https://hl7.org/fhir/R4/valueset-definitions.html#ValueSet.compose.inactive
  expect(codes(list("urn:vs", [{ system: "urn:tree" }], { inactive: false }))).not.toContain("urn:tree#moss");
  expect(codes(list("urn:vs", [{ system: "urn:tree" }]))).toContain("urn:tree#moss");
});

test("a system of which some codes are missing cannot be listed, but codes named one by one can", () => {
  expect(codes(list("urn:vs", [{ system: "urn:part" }]))).toMatch("Only some codes of urn:part");
  expect(codes(list("urn:vs", [{ system: "urn:unknown" }]))).toMatch("urn:unknown is not held here");
  expect(codes(list("urn:vs", [{ system: "urn:unknown", concept: [{ code: "x" }] }]))).toEqual(["urn:unknown#x"]);
});

test("value sets that include each other end with a refusal", () => {
  const other = list("urn:other", [{ valueSet: ["urn:vs"] }]);
  expect(codes(list("urn:vs", [{ valueSet: ["urn:other"] }]), [other])).toBe("The value set urn:vs includes itself.");
});

test("a value set that multiplies itself is cut off, and says where", () => {
  const levels = Array.from({ length: 24 }, (_, i) =>
    list(
      `urn:l${i}`,
      i === 0 ? [{ system: "urn:tree" }] : [{ valueSet: [`urn:l${i - 1}`] }, { valueSet: [`urn:l${i - 1}`] }],
    ),
  );
  const top = levels.at(-1);
  if (top === undefined) throw new Error("there is a last level");
  expect(codes(top, levels)).toMatch("takes more than 50000 codes");
});
