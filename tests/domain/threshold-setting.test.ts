import { expect, test } from "vitest";
import { effectiveThresholds, type ThresholdSetting } from "../../src/domain/threshold-setting.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

const tenant: ThresholdSetting = {
  version: 3,
  settings: {
    lowUseBelowShare: { value: 0.6, source: "Local policy 7" },
    longSittingMinutes: { value: 20, source: "Local policy 8" },
  },
};
const plan: ThresholdSetting = {
  planId: "plan-1",
  version: 1,
  settings: { longSittingMinutes: { value: 40, source: "Agreed in clinic" } },
};

test("without any setting the defaults hold", () => {
  expect(effectiveThresholds(defaultThresholds, [], "plan-1")).toBe(defaultThresholds);
});

test("the tenant's value stands over the default, the plan's over both, each with its source", () => {
  const thresholds = effectiveThresholds(defaultThresholds, [plan, tenant], "plan-1");
  expect([thresholds.lowUseBelowShare, thresholds.longSittingMinutes]).toEqual([0.6, 40]);
  expect(thresholds.sources).toMatchObject({
    lowUseBelowShare: "Local policy 7",
    longSittingMinutes: "Agreed in clinic",
    coolDownDays: defaultThresholds.sources.coolDownDays,
  });
  expect(thresholds.version).toBe(`${defaultThresholds.version}/tenant-3/plan-1`);
});

test("another plan's setting changes nothing", () => {
  expect(effectiveThresholds(defaultThresholds, [plan], "plan-2")).toBe(defaultThresholds);
});
