import { expect, test } from "vitest";
import { foldString, stringsOf } from "../../../src/fhir/search/string.ts";

// https://hl7.org/fhir/R4/search.html#string: "case- and accent-insensitive".
test("strings are compared without case, accents and extra blanks", () => {
  expect(foldString("  Évē   O'Brien ")).toBe("eve o'brien");
  expect(foldString("Ｍüller")).toBe("muller");
});

test("text without accents is compared as text with them is: blanks and case alike", () => {
  for (const text of ["", " ", "A  b", "A\tB\n C ", "a\u007fb", "O'BRIEN-2 ", "x".repeat(600)]) {
    expect(foldString(text)).toBe(foldString(`${text}\u0301`));
  }
});

test("each part of a name is found from its start, the family name and every given name", () => {
  const name = { use: "official", family: "Chalmers", given: ["Peter", "James"] };
  expect(stringsOf(name, "1").map((entry) => entry.folded)).toEqual(["chalmers", "peter", "james"]);
});

test("an address is found by its lines, city, postal code and country, not by its use", () => {
  const address = { use: "home", line: ["4 Mill Lane"], city: "Ambleford", postalCode: "ZZ1 9AA", country: "GB" };
  expect(stringsOf(address, "1").map((entry) => entry.exact)).toEqual(["4 Mill Lane", "Ambleford", "ZZ1 9AA", "GB"]);
});

test("an equal part is indexed once, an empty one and a number not at all", () => {
  expect(stringsOf({ text: "Ann", given: ["Ann"] }, "1")).toHaveLength(1);
  expect(stringsOf("", "1")).toEqual([]);
  expect(stringsOf(5, "1")).toEqual([]);
});

test("of a very long text the start is indexed", () => {
  expect(stringsOf("x".repeat(10_000), "1")[0]?.exact).toHaveLength(500);
});
