import { describe, expect, test } from "vitest";
import { isNhsNumber, nhsCheckDigit } from "../../../src/domain/check-digit/nhs-number.ts";

describe("the check digit of an NHS number", () => {
  // The worked example of the NHS Data Dictionary: 401 023 213 sums to 92, the remainder is 4, the check digit 7.
  test("is 7 for 401 023 213", () => {
    expect(nhsCheckDigit("401023213")).toBe(7);
  });

  test("is 0 where the sum leaves nothing, and none where it would be 10", () => {
    expect(nhsCheckDigit("999000005")).toBe(0);
    expect(nhsCheckDigit("999000000")).toBeUndefined();
  });
});

// 9434765919 is a common example; 999 numbers are kept for tests, so they pass.
test.each(["4010232137", "9434765919", "9990000018", "9990000026", "9990000050"])("%s is an NHS number", (number) => {
  expect(isNhsNumber(number)).toBe(true);
});

test.each([
  ["another check digit", "4010232138"],
  ["a check digit that would be 10", "9990000000"],
  ["all digits the same, which are not issued", "4444444444"],
  ["zeros", "0000000000"],
  ["examples that fail although they are widely shown", "9991234560"],
  ["nine digits", "401023213"],
  ["letters", "40102321E7"],
])("a number with %s is none", (_what, number) => {
  expect(isNhsNumber(number)).toBe(false);
});
