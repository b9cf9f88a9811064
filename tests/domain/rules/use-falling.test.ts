import { expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { useFalling } from "../../../src/domain/rules/use-falling.ts";
import { useRising } from "../../../src/domain/rules/use-rising.ts";
import { defaultThresholds } from "../../../src/domain/thresholds.ts";
import { everySession, examplePicture } from "../example-picture.ts";

const on = { ...defaultThresholds, changeSignal: { ...defaultThresholds.changeSignal, on: true } };

test("no session for four days after two a day is a fall and no rise", () => {
  const picture = examplePicture({ sessions: everySession("2026-01-01", "2026-03-11"), thresholds: on });
  expect(findingsOf(useFalling, picture)[0]).toMatchObject({ rule: "use-falling", sinceDay: "2026-03-11" });
  expect(findingsOf(useRising, picture)).toEqual([]);
});

test("days that nobody has read are no fall", () => {
  const [range] = examplePicture().coverage;
  const coverage = range === undefined ? [] : [{ ...range, endMs: range.endMs - 5 * 86_400_000 }];
  const picture = examplePicture({ sessions: everySession("2026-01-01", "2026-03-10"), coverage, thresholds: on });
  expect(findingsOf(useFalling, picture)).toEqual([]);
});
