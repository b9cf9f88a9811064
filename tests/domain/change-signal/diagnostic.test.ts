import { expect, test } from "vitest";
import { changeSignalNote, diagnosticFigures } from "../../../src/domain/change-signal/diagnostic.ts";

// Published values: tests/published/control-charts.test.ts.
test("a signal that is always right has shares of 1", () => {
  expect(diagnosticFigures({ truePositive: 5, falseNegative: 0, falsePositive: 0, trueNegative: 7 })).toMatchObject({
    sensitivity: 1,
    specificity: 1,
    positivePredictiveValue: 1,
    negativePredictiveValue: 1,
  });
});

test("a signal that is tossed has a relative risk of 1", () => {
  const table = { truePositive: 10, falseNegative: 10, falsePositive: 30, trueNegative: 30 };
  expect(diagnosticFigures(table).relativeRisk).toBe(1);
});

test("the note says how often such signals were right, and that nobody has shown it for this therapy", () => {
  expect(changeSignalNote()).toMatch(
    /^A hint for the worklist\. No published study .* 53 to 60 % of such signals were right/,
  );
});
