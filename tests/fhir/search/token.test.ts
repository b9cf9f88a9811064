import { expect, test } from "vitest";
import { systemAndCode, tokenQuery, tokensOf } from "../../../src/fhir/search/token.ts";

const answers = (query: string, value: unknown) => tokensOf(value, "1").includes(tokenQuery("1", query));

const male = { system: "http://acme.org/sex", code: "male" };

// The four forms of https://hl7.org/fhir/R4/search.html#token.
test.each([
  ["male", male, true],
  ["http://acme.org/sex|male", male, true],
  ["|male", male, false],
  ["http://acme.org/sex|", male, true],
  ["http://acme.org/other|male", male, false],
  ["male", { code: "male" }, true],
  ["|male", { code: "male" }, true],
  ["http://acme.org/sex|male", { code: "male" }, false],
  ["MALE", male, false],
] as const)("%s asked of %o answers %s", (query, value, expected) => {
  expect(answers(query, value)).toBe(expected);
});

test("each coding of a concept answers, its text does not", () => {
  const concept = { coding: [male, { system: "http://b.org", code: "m" }], text: "man" };
  expect(answers("http://b.org|m", concept)).toBe(true);
  expect(answers("man", concept)).toBe(false);
});

test("identifiers and contact points answer by their value", () => {
  expect(answers("http://acme.org/patient|2345", { system: "http://acme.org/patient", value: "2345" })).toBe(true);
  expect(answers("phone|01632 960123", { system: "phone", value: "01632 960123", use: "home" })).toBe(true);
  expect(answers("01632 960123", { system: "phone", value: "01632 960123" })).toBe(true);
});

test("codes and booleans answer as they are written, with no system", () => {
  expect(answers("active", "active")).toBe(true);
  expect(answers("|active", "active")).toBe(true);
  expect(answers("false", false)).toBe(true);
});

test("a value without a code gives nothing but its system", () => {
  expect(tokensOf({ system: "http://acme.org/sex" }, "1")).toHaveLength(1);
  expect(tokensOf({ text: "man" }, "1")).toEqual([]);
  expect(tokensOf(null, "1")).toEqual([]);
});

// https://hl7.org/fhir/R4/search.html#escaping
test("an escaped bar belongs to the code", () => {
  expect(systemAndCode("a\\|b")).toEqual([undefined, "a|b"]);
  expect(answers("http://acme.org|a\\|b", { system: "http://acme.org", code: "a|b" })).toBe(true);
});
