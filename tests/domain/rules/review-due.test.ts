import { expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { reviewDue } from "../../../src/domain/rules/review-due.ts";
import { examplePicture, examplePlan } from "../example-picture.ts";

const found = (reviewDay: string) =>
  findingsOf(reviewDue, examplePicture({ plans: [examplePlan({ reviewDay })] })).map((finding) => finding.sinceDay);

test("the day itself is in time, the day after it is overdue", () => {
  expect(found("2026-03-15")).toEqual([]);
  expect(found("2026-03-14")).toEqual(["2026-03-15"]);
});

test("it is about the plan, so the next plan begins anew", () => {
  const [finding] = findingsOf(reviewDue, examplePicture({ plans: [examplePlan({ reviewDay: "2026-02-01" })] }));
  expect(finding).toMatchObject({ subject: "CarePlan/plan-1", focus: "CarePlan/plan-1", severity: "review" });
});

test("a plan that names no day is never due, and without a plan there is nothing to look at", () => {
  expect(reviewDue.examine(examplePicture())).toMatchObject([{ steps: [{ name: "review-day", holds: false }] }]);
  expect(reviewDue.examine(examplePicture({ plans: [] }))).toEqual([]);
});
