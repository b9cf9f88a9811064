import { describe, expect, test } from "vitest";
import type { Picture } from "../../../src/domain/picture.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { screeningDue } from "../../../src/domain/rules/screening-due.ts";
import { examplePicture, examplePlan } from "../example-picture.ts";

const on = (...days: string[]) => days.map((day, i) => ({ responseId: `response-${i + 1}`, day }));
const found = (days: string[], over: Partial<Picture> = {}) =>
  findingsOf(screeningDue, examplePicture({ screenings: on(...days), ...over })).map(({ severity, sinceDay }) => [
    severity,
    sinceDay,
  ]);

// The plan of the example began on 1 January 2026; the picture is of 15 March 2026.
describe("before the therapy", () => {
  test("a screening on the plan's first day counts, one on the day after does not", () => {
    expect(found(["2026-01-01"])).toEqual([]);
    expect(found(["2026-01-02"])).toEqual([["information", "2026-01-01"]]);
  });

  test("none at all is for review since the plan began", () => {
    expect(found([])).toEqual([["review", "2026-01-01"]]);
  });

  test("plans that follow one another without a gap are one therapy", () => {
    const plans = [
      examplePlan({ planId: "old", firstDay: "2025-06-01", endDay: "2026-02-01", status: "completed" }),
      examplePlan({ firstDay: "2026-02-01" }),
    ];
    expect(found(["2025-06-01"], { plans })).toEqual([]);
    const [old, latest] = plans;
    const apart = [{ ...old, endDay: "2026-01-31" }, latest] as Picture["plans"];
    expect(found(["2025-07-01"], { plans: apart })).toEqual([]);
    expect(found(["2026-02-02"], { plans: apart })).toEqual([["information", "2026-02-01"]]);
  });
});

describe("again after twelve calendar months", () => {
  const plans = [examplePlan({ firstDay: "2024-01-01" })];

  test("the day itself is in time, the day after it is due", () => {
    expect(found(["2023-12-01", "2025-03-15"], { plans })).toEqual([]);
    expect(found(["2023-12-01", "2025-03-14"], { plans })).toEqual([["review", "2026-03-14"]]);
  });

  test("a later screening clears it", () => {
    expect(found(["2023-12-01", "2025-01-01", "2026-03-15"], { plans })).toEqual([]);
  });
});

test("a plan on hold is asked for too, and without a plan nothing is", () => {
  expect(found([], { plans: [examplePlan({ status: "on-hold", holds: [{ firstDay: "2026-02-01" }] })] })).toHaveLength(
    1,
  );
  expect(found([], { plans: [] })).toEqual([]);
});

test("the steps say when the last one was and when the next is due", () => {
  const [examination] = screeningDue.examine(examplePicture({ screenings: on("2025-12-31") }));
  expect(examination?.steps.at(-1)?.text).toBe(
    "The last screening was on 31 December 2025. One was on record when the therapy began on 1 January 2026. The next is due by 31 December 2026.",
  );
});
