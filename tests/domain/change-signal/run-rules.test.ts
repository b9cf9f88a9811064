import { describe, expect, test } from "vitest";
import { runSignals } from "../../../src/domain/change-signal/run-rules.ts";

// NHS vectors and the rate of chance signals: tests/published/control-charts.test.ts.
const settings = { centre: 0, sigma: 1, rules: "western-electric" } as const;
const last = (values: readonly number[]) => runSignals(values, settings).at(-1);

describe("the Western Electric rules", () => {
  test.each([
    ["a value just beyond three sigma", [3.01], { rule: "beyond-limit", direction: "up" }],
    ["a value of exactly three sigma", [3], undefined],
    ["two of three just beyond two sigma", [2.1, 0, 2.1], { rule: "two-of-three", direction: "up" }],
    ["two of three beyond two sigma on different sides", [2.1, 0, -2.1], undefined],
    ["two of four", [2.1, 0, 0, 2.1], undefined],
    ["four of five beyond one sigma", [-1.1, -1.1, 0, -1.1, -1.1], { rule: "four-of-five", direction: "down" }],
    ["three of five beyond one sigma", [-1.1, 0, 0, -1.1, -1.1], undefined],
    ["eight in a row on one side", Array(8).fill(0.1), { rule: "run-one-side", direction: "up" }],
    ["seven in a row on one side", Array(7).fill(0.1), undefined],
    ["eight of which one lies on the centre", [0.1, 0.1, 0.1, 0, 0.1, 0.1, 0.1, 0.1], undefined],
  ])("%s", (_what, values, signal) => {
    expect(last(values as number[])).toEqual(signal);
  });

  test("the newest value must be one of those that make the signal", () => {
    expect(last([2.1, 2.1, 0])).toBeUndefined();
  });
});

test("mirrored values give mirrored signals", () => {
  const values = [0.5, 2.2, 2.3, -0.4, 3.4, 1.2, 1.3, 1.4, 1.1, 0.2];
  const mirrored = runSignals(
    values.map((value) => -value),
    settings,
  );
  const turned = { up: "down", down: "up" } as const;
  expect(mirrored).toEqual(
    runSignals(values, settings).map((one) => one && { ...one, direction: turned[one.direction] }),
  );
});

test("for charts of the NHS kind a trend goes before two of three", () => {
  const rising = [-2.9, -1.5, -0.5, 0.5, 1.5, 2.1, 2.5];
  expect(runSignals(rising, { ...settings, rules: "nhs" }).at(-1)?.rule).toBe("trend");
});
