import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { extractIndexValues } from "../../../src/fhir/search/extract.ts";
import { sortKeys } from "../../../src/fhir/search/sort.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const keys = (types: string, value: string) => {
  const read = sortKeys(definitions, types.split(","), value);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value;
};

const refusal = (types: string, value: string) => {
  const read = sortKeys(definitions, types.split(","), value);
  if (read.ok) throw new Error(`_sort=${value} is not refused`);
  return read.refusals[0];
};

// https://hl7.org/fhir/R4/search.html#sort: keys in order of priority, "-" before a key turns it round.
test("keys come in their order, each descending with a hyphen", () => {
  expect(keys("Observation", "-date,_lastUpdated,-_id")).toEqual([
    { by: "hot-date", descending: true },
    { by: "last-updated", descending: false },
    { by: "id", descending: true },
  ]);
});

test("a date or string parameter is sorted by the keys under which its values are indexed", () => {
  const index = extractIndexValues(definitions, {
    resourceType: "Patient",
    name: [{ family: "Maren" }],
    birthDate: "1980-05-01",
  });
  const [family, birth] = keys("Patient", "family,birthdate");
  expect(family).toEqual({ by: { stringKeys: [expect.any(String)] }, descending: false });
  if (typeof family?.by !== "object" || !("stringKeys" in family.by)) throw new Error("not by strings");
  if (typeof birth?.by !== "object" || !("dateKeys" in birth.by)) throw new Error("not by dates");
  const { stringKeys } = family.by;
  const { dateKeys } = birth.by;
  expect(index.strings.filter((entry) => stringKeys.includes(entry.key))).toMatchObject([{ exact: "Maren" }]);
  expect(index.dates.filter((entry) => dateKeys.includes(entry.key))).toMatchObject([{ lowMs: Date.UTC(1980, 4, 1) }]);
});

test("five keys are read, six are too costly", () => {
  const five = "family,given,birthdate,_id,_lastUpdated";
  expect(keys("Patient", five)).toHaveLength(5);
  expect(refusal("Patient", `${five},name`)).toMatchObject({ kind: "too-costly", at: "_sort", status: 400 });
});

test("the keys of a _sort before count as well", () => {
  expect(sortKeys(definitions, ["Patient"], "family", 4)).toMatchObject({ ok: true });
  expect(sortKeys(definitions, ["Patient"], "family", 5)).toMatchObject({
    ok: false,
    refusals: [{ kind: "too-costly" }],
  });
});

test.each(["", "code", "colour", "-", "--date", "date:missing", "subject", "date,"])("%o is no order", (value) => {
  expect(refusal("Observation", value)).toMatchObject({ kind: "not-supported", at: "_sort", status: 400 });
});

test("several types are sorted by what all of them keep alike", () => {
  expect(keys("Observation,Patient", "-_lastUpdated,_id")).toHaveLength(2);
  expect(keys("Observation,Procedure", "date")).toEqual([{ by: "hot-date", descending: false }]);
  expect(refusal("Observation,Patient", "birthdate")?.detail).toContain("A search of several types");
  // Both have a name, but under different keys.
  expect(refusal("Patient,Practitioner", "name")?.kind).toBe("not-supported");
});
