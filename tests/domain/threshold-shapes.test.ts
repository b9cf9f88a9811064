import { expect, test } from "vitest";
import {
  listOf,
  numberAboveZero,
  numberFrom,
  objectOf,
  oneOf,
  share,
  text,
  textLike,
  unknownName,
  wholeNumber,
  wrong,
  yesOrNo,
} from "../../src/domain/threshold-shapes.ts";

const fits = (shape: typeof share, value: unknown) => shape.check(value, "here").length === 0;

test.each([
  ["a whole number", wholeNumber(1, 5), [1, 5], [0, 6, 1.5, "3", null, Number.NaN, Number.POSITIVE_INFINITY]],
  ["a number", numberFrom(0, 2.5), [0, 2.5, 1.25], [-0.1, 2.6, "1", undefined, Number.NaN]],
  ["a number above nothing", numberAboveZero(10), [0.001, 10], [0, -1, 10.5, true]],
  ["a share", share, [0.01, 1], [0, 1.01, 50, "0.5"]],
  ["yes or no", yesOrNo, [true, false], [0, 1, "true", null]],
  ["a word", oneOf(["ewma", "cusum"]), ["ewma"], ["EWMA", "", 1, ["ewma"]]],
  ["text", text(3, 5), ["abc", "abcde"], ["ab", "abcdef", "  a  ", "ab\u0000", "ab\ud800", 123]],
  ["text of a pattern", textLike(/^[a-z]+$/, "letters"), ["abc"], ["Abc", "a1", 5, ["abc"]]],
])("%s takes what is inside its limits and nothing else", (_, shape, good, bad) => {
  expect(good.filter((value) => !fits(shape, value))).toEqual([]);
  expect(bad.filter((value) => fits(shape, value))).toEqual([]);
});

test("a refusal says what is allowed, and where", () => {
  expect(wholeNumber(1, 5).check(6, "a.b")).toEqual(wrong("Give a whole number from 1 to 5.", "a.b"));
});

test("a list is checked item by item, up to its longest", () => {
  const list = listOf(share, 2);
  expect(list.check([0.5, 2], "x").map((one) => one.at)).toEqual(["x[1]"]);
  expect(list.check([0.1, 0.2, 0.3], "x").map((one) => one.at)).toEqual(["x"]);
  expect(list.check({ 0: 0.5 }, "x").map((one) => one.at)).toEqual(["x"]);
});

test("an object has all it must have, may have the rest, and nothing unknown", () => {
  const shape = objectOf("{ share } and { on }", { share }, { on: yesOrNo });
  const places = (value: unknown) => shape.check(value, "x").map(({ kind, at }) => `${kind} ${at}`);
  expect(places({ share: 1 })).toEqual([]);
  expect(places({ share: 1, on: true })).toEqual([]);
  expect(places({ on: 1 })).toEqual(["required x.share", "value x.on"]);
  expect(places({ share: 1, shares: 1 })).toEqual(["value x.shares"]);
  // What every object inherits is not what this one has.
  expect(places({ share: 1, toString: 1 })).toEqual(["value x.toString"]);
  expect([null, [], "x", 1].map((value) => places(value))).toEqual([
    ["value x"],
    ["value x"],
    ["value x"],
    ["value x"],
  ]);
});

test("a slip is answered with the name that was meant, nonsense with all there are", () => {
  const known = ["lowUseBelowShare", "lowUseWindowDays", "coolDownDays"];
  expect(unknownName("lowUseBelwoShare", known)).toContain('Write "lowUseBelowShare"');
  expect(unknownName("cooldowndays", known)).toContain('Write "coolDownDays"');
  expect(unknownName("zzz", known)).toContain("one of: lowUseBelowShare, lowUseWindowDays, coolDownDays");
  expect(unknownName("y".repeat(10_000), known).length).toBeLessThan(300);
});
