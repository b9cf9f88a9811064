import { expect, test } from "vitest";
import { firstDayOfPicture } from "../../src/domain/picture-window.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

test("a picture reaches back 28 days for the caseload row, by default further than any rule", () => {
  expect(firstDayOfPicture("2026-03-29", defaultThresholds)).toBe("2026-03-01");
});

test.each(["lowUseWindowDays", "longSittingWindowDays", "settingsDifferWindowDays", "contraindicationWindowDays"])(
  "a picture reaches back as far as %s where that is longer",
  (name) => {
    expect(firstDayOfPicture("2026-03-31", { ...defaultThresholds, [name]: 30 })).toBe("2026-03-01");
  },
);
