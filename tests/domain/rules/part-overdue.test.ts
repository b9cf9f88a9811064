import { expect, test } from "vitest";
import { addDays } from "../../../src/domain/local-day.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { partDue } from "../../../src/domain/rules/part-due.ts";
import { partOverdue } from "../../../src/domain/rules/part-overdue.ts";
import { examplePicture, instant } from "../example-picture.ts";

const circuit = { partId: "circuit-1", kind: "circuit", fittedDay: "2026-02-10" };

function on(today: string, ...parts: (typeof circuit)[]) {
  return examplePicture({ parts, today, nowMs: instant(`${today}T12:00`) });
}

test("a circuit to be replaced by 10 March is overdue on the 11th, not on the 10th", () => {
  expect(findingsOf(partOverdue, on("2026-03-10", circuit))).toEqual([]);
  expect(findingsOf(partOverdue, on("2026-03-11", circuit))).toMatchObject([
    {
      rule: "part-overdue",
      subject: "Device/circuit-1",
      severity: "review",
      sinceDay: "2026-03-11",
      text: "Patient circuit fitted on 10 February 2026: was to be replaced by 10 March 2026, 1 month after fitting. No newer one is recorded.",
    },
  ]);
});

test("nothing in it changes from one overdue day to the next", () => {
  expect(findingsOf(partOverdue, on("2026-03-20", circuit))).toEqual(
    findingsOf(partOverdue, on("2026-03-11", circuit)),
  );
});

test("a newer circuit ends it", () => {
  expect(
    findingsOf(partOverdue, on("2026-03-20", circuit, { ...circuit, partId: "circuit-2", fittedDay: "2026-03-20" })),
  ).toEqual([]);
});

test("from its lead time on a part is either due or overdue, never both and never neither", () => {
  for (let day = "2026-03-03"; day < "2026-04-20"; day = addDays(day, 1)) {
    expect([...findingsOf(partDue, on(day, circuit)), ...findingsOf(partOverdue, on(day, circuit))]).toHaveLength(1);
  }
});
