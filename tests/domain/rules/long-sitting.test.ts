import { expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { longSitting } from "../../../src/domain/rules/long-sitting.ts";
import { examplePicture, exampleSession } from "../example-picture.ts";

function lasting(start: string, seconds: number) {
  const session = exampleSession(start);
  return { ...session, endMs: session.startMs + seconds * 1000 };
}

test("30 minutes are within the limit, one second more is not", () => {
  expect(findingsOf(longSitting, examplePicture({ sessions: [lasting("2026-03-14T08:00", 1800)] }))).toEqual([]);
  const [finding] = findingsOf(longSitting, examplePicture({ sessions: [lasting("2026-03-14T08:00", 1801)] }));
  expect(finding).toMatchObject({
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: "2026-03-14",
    focus: "Observation/session-2026-03-14T08-00",
  });
});

test("stopping and starting the device does not hide a long sitting", () => {
  const sessions = [lasting("2026-03-14T08:00", 1200), lasting("2026-03-14T08:25", 1200)];
  const [finding] = findingsOf(longSitting, examplePicture({ sessions }));
  expect(finding?.text).toBe(
    "Recorded use shows 1 sitting longer than 30 minutes since 14 March 2026; the longest took 45 minutes.",
  );
  expect(finding?.evidence).toEqual([
    {
      name: "sitting-minutes",
      text: "14 March 2026: 45 minutes in 2 sessions.",
      value: 45,
      unit: "min",
      reference: "Observation/session-2026-03-14T08-00",
    },
  ]);
});

test("a rest as long as the rest gap begins another sitting", () => {
  const sessions = [lasting("2026-03-14T08:00", 1200), lasting("2026-03-14T08:30", 1200)];
  expect(findingsOf(longSitting, examplePicture({ sessions }))).toEqual([]);
});

test("the window reaches back 14 days and includes today", () => {
  const on = (day: string) => findingsOf(longSitting, examplePicture({ sessions: [lasting(`${day}T08:00`, 3600)] }));
  expect(on("2026-02-28")).toEqual([]);
  expect(on("2026-03-01")).toHaveLength(1);
  expect(on("2026-03-15")).toHaveLength(1);
});

test("of many long sittings the first tells since when and the latest five are shown", () => {
  const sessions = [2, 3, 4, 5, 6, 7].map((day) => lasting(`2026-03-0${day}T08:00`, 2400));
  const [finding] = findingsOf(longSitting, examplePicture({ sessions }));
  expect(finding?.sinceDay).toBe("2026-03-02");
  expect(finding?.evidence.map((one) => one.text.slice(0, 7))).toEqual([
    "3 March",
    "4 March",
    "5 March",
    "6 March",
    "7 March",
  ]);
});

test("a session marked as a test is no sitting", () => {
  const sessions = [{ ...lasting("2026-03-14T08:00", 3600), test: true }];
  expect(findingsOf(longSitting, examplePicture({ sessions }))).toEqual([]);
});

test("where none is too long, the steps say how long the longest was and what the cap is", () => {
  const [examination] = longSitting.examine(examplePicture({ sessions: [exampleSession("2026-03-14T08:00")] }));
  expect(examination?.steps.at(-1)).toMatchObject({ name: "longest-minutes", holds: false, value: 10, threshold: 30 });
  expect(longSitting.examine(examplePicture())[0]?.steps).toMatchObject([{ name: "sittings", holds: false }]);
});
