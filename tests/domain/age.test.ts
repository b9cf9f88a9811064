import fc from "fast-check";
import { expect, test } from "vitest";
import { ageInYears } from "../../src/domain/age.ts";
import { addDays } from "../../src/domain/local-day.ts";

test("a year is completed on the birthday, not the day before", () => {
  expect([ageInYears("2014-03-15", "2026-03-14"), ageInYears("2014-03-15", "2026-03-15")]).toEqual([11, 12]);
});

test("somebody born on 29 February completes a year on 1 March of a common year and on 29 February of a leap year", () => {
  const age = (day: string) => ageInYears("2012-02-29", day);
  expect([age("2025-02-28"), age("2025-03-01"), age("2024-02-28"), age("2024-02-29")]).toEqual([12, 13, 11, 12]);
});

// Temporal counts whole years by the calendar; it lets somebody born on 29 February complete one on 28 February.
test("it agrees with calendar arithmetic of Temporal for everybody not born on 29 February", () => {
  const day = fc.integer({ min: 0, max: 40_000 }).map((count) => addDays("1950-01-01", count));
  fc.assert(
    fc.property(day, day, (a, b) => {
      const [birthDay, on] = a < b ? [a, b] : [b, a];
      fc.pre(!birthDay.endsWith("02-29"));
      const years = Temporal.PlainDate.from(birthDay).until(Temporal.PlainDate.from(on), {
        largestUnit: "years",
      }).years;
      expect(ageInYears(birthDay, on)).toBe(years);
    }),
  );
});
