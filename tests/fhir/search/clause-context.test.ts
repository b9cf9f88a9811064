import { expect, test } from "vitest";
import type { Refusal, Result } from "../../../src/domain/result.ts";
import { alternatives, named, refusedModifier, refusedParameter } from "../../../src/fhir/search/clause-context.ts";

function firstOf(answer: Result<never>): Refusal {
  const [first] = answer.ok ? [] : answer.refusals;
  if (first === undefined) throw new Error("nothing is refused");
  return first;
}

// https://hl7.org/fhir/R4/search.html#combining: commas join alternatives; https://hl7.org/fhir/R4/search.html#escaping
test("a comma parts alternatives, an escaped one belongs to the value", () => {
  expect(alternatives("code", "a,b")).toEqual({ ok: true, value: ["a", "b"] });
  expect(alternatives("code", "a\\,b")).toMatchObject({ ok: true, value: [expect.stringContaining("b")] });
});

test.each(["", "a,", ",a", "a,,b"])("%o leaves a value empty and is refused", (value) => {
  expect(alternatives("code", value)).toMatchObject({ ok: false, refusals: [{ kind: "value", at: "code" }] });
});

// https://hl7.org/fhir/R4/datatypes.html#string: no U+0000, which PostgreSQL could not compare either.
test("a NUL is refused wherever it stands", () => {
  for (const value of ["\u0000", "a,b\u0000"])
    expect(alternatives("code", value)).toMatchObject({ ok: false, refusals: [{ kind: "value", status: 400 }] });
});

test("five hundred alternatives may be asked for at once, not one more", () => {
  const many = (count: number) => Array.from({ length: count }, (_, i) => `c${i}`).join(",");
  expect(alternatives("code", many(500))).toMatchObject({ ok: true });
  expect(alternatives("code", many(501))).toMatchObject({ ok: false, refusals: [{ kind: "too-costly", status: 400 }] });
});

// https://hl7.org/fhir/R4/search.html#errors: what is wrong with a search is answered with 400.
test("a refusal names its parameter, a very long name only so far as to know it again", () => {
  expect(refusedParameter("value", "date", "No.")).toEqual({
    ok: false,
    refusals: [{ kind: "value", detail: "No.", at: "date", status: 400 }],
  });
  const refusal = firstOf(refusedParameter("value", "x".repeat(5_000), "No."));
  expect(refusal.at).toHaveLength(128);
});

// https://hl7.org/fhir/R4/search.html#modifiers: a modifier that is not supported SHALL be refused.
test("the refusal of a modifier says which the parameter takes", () => {
  const one = firstOf(refusedModifier("code:fuzzy", "fuzzy", ["not", "text"]));
  expect(one).toMatchObject({ kind: "not-supported", at: "code:fuzzy", status: 400 });
  expect(one.detail).toContain('":fuzzy"');
  expect(one.detail).toContain("It takes :not, :text and :missing.");
  const none = firstOf(refusedModifier("date:exact", "exact", []));
  expect(none.detail).toContain("It takes none but :missing.");
});

test("refusals from deeper down come under the name that the client wrote", () => {
  expect(
    named(
      [
        { kind: "value", detail: "No date." },
        { kind: "value", detail: "No.", at: "inner" },
      ],
      "date",
    ),
  ).toEqual({
    ok: false,
    refusals: [
      { kind: "value", detail: "No date.", at: "date" },
      { kind: "value", detail: "No.", at: "date" },
    ],
  });
});
