import { readdirSync, readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { catalogue, ruleTexts } from "../../../src/domain/rules/catalogue.ts";

const folder = new URL("../../../src/domain/rules/", import.meta.url);

test("every file that defines a rule stands in the catalogue under its own name", () => {
  const defining = readdirSync(folder).filter((name) =>
    /: Rule(Text)? = \{/.test(readFileSync(new URL(name, folder), "utf8")),
  );
  expect(ruleTexts.map((rule) => `${rule.code}.ts`).sort()).toEqual(defining.sort());
});

test("every rule says what it is and where it comes from", () => {
  for (const { title, source } of ruleTexts) expect([title, source].every((text) => text.length > 10)).toBe(true);
});

test("codes are unique, and the rules of safety come first", () => {
  const codes = catalogue.map((rule) => rule.code);
  expect(new Set(codes).size).toBe(codes.length);
  expect(codes.slice(0, 2)).toEqual(["used-while-contraindicated", "plan-needs-hold"]);
});

test("no text speaks of compliance or of an alarm", () => {
  for (const name of readdirSync(folder)) {
    expect(readFileSync(new URL(name, folder), "utf8")).not.toMatch(/complian|alarm/i);
  }
});
