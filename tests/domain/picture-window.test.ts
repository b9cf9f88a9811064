import { expect, test } from "vitest";
import { changeSignalDays, firstDayOfCoverage, firstDayOfPicture } from "../../src/domain/picture-window.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

test("a picture reaches back 28 days for the caseload row, by default further than any rule", () => {
  expect(firstDayOfPicture("2026-03-29", defaultThresholds)).toBe("2026-03-01");
});

test.each([
  "lowUseWindowDays",
  "longSittingWindowDays",
  "settingsDifferWindowDays",
  "contraindicationWindowDays",
  "saturationWindowDays",
  "infectionCourseDays",
  "alertWindowDays",
])("a picture reaches back as far as %s where that is longer", (name) => {
  expect(firstDayOfPicture("2026-03-31", { ...defaultThresholds, [name]: 30 })).toBe("2026-03-01");
});

test("where the change signal is on, it reaches back as far as a baseline may lie", () => {
  const changeSignal = { ...defaultThresholds.changeSignal, on: true };
  const firstDay = firstDayOfPicture("2026-03-29", { ...defaultThresholds, changeSignal });
  expect(firstDay).toBe(Temporal.PlainDate.from("2026-03-29").subtract({ days: changeSignalDays }).toString());
});

test("coverage reaches back as far as sessions, and as far as a device may lie idle", () => {
  expect(firstDayOfCoverage("2026-03-29", { ...defaultThresholds, deviceIdleDays: 60 })).toBe("2026-01-28");
  expect(firstDayOfCoverage("2026-03-29", { ...defaultThresholds, deviceIdleDays: 7 })).toBe("2026-03-01");
});
