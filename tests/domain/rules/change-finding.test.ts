import { expect, test } from "vitest";
import { changeExamination } from "../../../src/domain/rules/change-finding.ts";
import { defaultThresholds } from "../../../src/domain/thresholds.ts";
import { everySession, examplePicture, examplePlan } from "../example-picture.ts";

const on = { ...defaultThresholds, changeSignal: { ...defaultThresholds.changeSignal, on: true } };
const steps = (over: Parameters<typeof examplePicture>[0]) =>
  changeExamination("use-rising", "up", examplePicture({ thresholds: on, ...over }))[0]?.steps.map((step) => step.text);

test("a baseline that is not complete says how far it is", () => {
  const plans = [examplePlan({ firstDay: "2026-03-01" })];
  expect(steps({ plans, sessions: everySession("2026-03-01", "2026-03-15") })?.at(-1)).toBe(
    "The baseline since 1 March 2026 has 14 known days of 20.",
  );
});

test("without a plan there is no baseline", () => {
  expect(steps({ plans: [] })?.at(-1)).toBe("No plan is in force.");
});

test("a signal in the other direction is told and is no finding", () => {
  const sessions = everySession("2026-01-01", "2026-03-11");
  expect(steps({ sessions })?.at(-1)).toMatch(/^The last signal was on 14 March 2026 \(.*, less use\)\.$/);
});
