import { expect, test } from "vitest";
import { infectionOn } from "../../src/domain/infection.ts";

const past = { conditionId: "condition-1", firstDay: "2026-03-01", endDay: "2026-03-11" };
const lasting = { conditionId: "condition-2", firstDay: "2026-03-09" };

test("the first day is inside, the end day is not", () => {
  const on = (day: string) => infectionOn([past], day)?.conditionId;
  expect([on("2026-02-28"), on("2026-03-01"), on("2026-03-10"), on("2026-03-11")]).toEqual([
    undefined,
    "condition-1",
    "condition-1",
    undefined,
  ]);
});

test("one without an end lasts, and of two the later one counts", () => {
  expect(infectionOn([lasting, past], "2026-03-10")).toBe(lasting);
  expect(infectionOn([past, lasting], "2026-12-24")).toBe(lasting);
});
