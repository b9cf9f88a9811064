import { expect, test } from "vitest";
import { weeklyCompletion } from "../../../src/domain/change-signal/weekly-completion.ts";
import { dayStates } from "../../../src/domain/day-state.ts";
import { everySession, examplePicture } from "../example-picture.ts";

function weeksOf(firstDay: string, over: Parameters<typeof examplePicture>[0] = {}) {
  return weeklyCompletion(dayStates(examplePicture(over), firstDay, "2026-03-15"));
}

test("weeks are counted back from the last day, and an incomplete one at the start is left out", () => {
  const weeks = weeksOf("2026-02-20", { sessions: everySession("2026-02-01", "2026-03-15") });
  expect(weeks.map((week) => [week.firstDay, week.done, week.known])).toEqual([
    ["2026-02-22", 14, 14],
    ["2026-03-01", 14, 14],
    ["2026-03-08", 14, 14],
  ]);
});

test("a week without any session lies outside the limits of nine full ones", () => {
  const sessions = everySession("2026-01-05", "2026-03-08");
  const weeks = weeksOf("2026-01-04", { sessions });
  expect(weeks.filter((week) => week.outside).map((week) => week.firstDay)).toEqual(["2026-03-08"]);
});

test("a week of which nothing is known is left out, not counted as missed", () => {
  const [range] = examplePicture().coverage;
  const coverage = range === undefined ? [] : [{ ...range, endMs: range.endMs - 8 * 86_400_000 }];
  const weeks = weeksOf("2026-02-22", { sessions: everySession("2026-02-22", "2026-03-07"), coverage });
  expect(weeks.map((week) => [week.firstDay, week.done, week.known])).toEqual([
    ["2026-02-22", 14, 14],
    ["2026-03-01", 12, 12],
  ]);
});

test("without a known week there is no chart", () => {
  expect(weeksOf("2026-03-10")).toEqual([]);
});
