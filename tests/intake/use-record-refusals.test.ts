import { describe, expect, test } from "vitest";
import { z } from "zod";
import { refusalsOf, shown } from "../../src/intake/use-record-refusals.ts";

function refusals(schema: z.ZodType, value: unknown, base = "") {
  const checked = schema.safeParse(value);
  if (checked.success) throw new Error("nothing was refused");
  return refusalsOf(checked.error, base);
}

describe("each finding says where and what to do", () => {
  test.each<[string, z.ZodType, unknown, string, RegExp]>([
    ["a missing field", z.string(), undefined, "required", /Add it/],
    ["a number in quotes", z.number(), "-40", "value", /number without quotes/],
    ["null for what was not recorded", z.number(), null, "value", /leave the field out/],
    ["half a count", z.int(), 1.5, "value", /whole number/],
    ["yes for true", z.boolean(), "yes", "value", /true or false/],
    ["a number for a text", z.string(), 7, "value", /text in quotes/],
    ["an object for a list", z.array(z.string()), {}, "value", /list/],
    ["another word", z.enum(["manual", "timed"]), "x", "value", /"manual" or "timed"/],
    ["a long text", z.string().max(2), "abc", "too-long", /2 characters/],
    ["an empty text", z.string().min(1), "", "value", /at least 1/],
    ["a long list", z.array(z.number()).max(1), [1, 2], "too-long", /1 entries/],
    ["a count too low", z.int().min(0), -1, "value", /0 or more/],
    ["a count too high", z.int().max(9), 10, "value", /9 or less/],
  ])("%s", (_, schema, value, kind, detail) => {
    expect(refusals(z.object({ field: schema }), { field: value }, "sessions[2]")).toEqual([
      { kind, at: "sessions[2].field", detail: expect.stringMatching(detail) },
    ]);
  });
});

test("places are written as a sender would look for them", () => {
  const schema = z.object({ cycles: z.array(z.strictObject({ flow: z.number() })) });
  expect(
    refusals(schema, { cycles: [{ flow: 1 }, { flow: "x", pressure: 1 }] }, "sessions[0]").map(({ at }) => at),
  ).toEqual(["sessions[0].cycles[1].flow", "sessions[0].cycles[1].pressure"]);
  expect(refusals(z.strictObject({}), { extra: 1 })).toMatchObject([{ at: "extra" }]);
  expect(refusals(z.number(), "x")[0]).not.toHaveProperty("at");
});

test("of a hundred mistakes twenty are named and eighty counted", () => {
  const found = refusals(z.array(z.number()), Array(100).fill("x"), "list");
  expect(found).toHaveLength(21);
  expect(found.at(-1)).toMatchObject({ at: "list", detail: expect.stringContaining("80 more") });
});

test("a name of 80 characters is shown whole, one of 81 is cut", () => {
  expect(shown("x".repeat(80))).toBe("x".repeat(80));
  expect(shown("x".repeat(81))).toBe(`${"x".repeat(80)}…`);
});
