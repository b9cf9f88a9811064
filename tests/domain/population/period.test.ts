import fc from "fast-check";
import { expect, test } from "vitest";
import type { Period } from "../../../src/domain/population/figures.ts";
import { isOver, monthsOf, periodOf } from "../../../src/domain/population/period.ts";

test("a code names a month, a quarter or a year, and nothing else is a period", () => {
  expect(periodOf("2026-05")).toEqual({ code: "2026-05", kind: "month", firstDay: "2026-05-01", endDay: "2026-06-01" });
  expect(periodOf("2026-Q4")).toEqual({
    code: "2026-Q4",
    kind: "quarter",
    firstDay: "2026-10-01",
    endDay: "2027-01-01",
  });
  expect(periodOf("2026")).toEqual({ code: "2026", kind: "year", firstDay: "2026-01-01", endDay: "2027-01-01" });
  for (const text of ["", "2026-13", "2026-00", "2026-Q0", "2026-Q5", "2026-5", "26", "2026-05-01", "2026-05 "]) {
    expect([text, periodOf(text)]).toEqual([text, undefined]);
  }
});

test("the months of any period follow each other without gap from its first day to its end", () => {
  const code = fc
    .tuple(
      fc.integer({ min: 1990, max: 2100 }),
      fc.integer({ min: 1, max: 12 }),
      fc.constantFrom("month", "quarter", "year"),
    )
    .map(([year, month, kind]) =>
      kind === "year"
        ? `${year}`
        : kind === "month"
          ? `${year}-${String(month).padStart(2, "0")}`
          : `${year}-Q${Math.ceil(month / 3)}`,
    );
  fc.assert(
    fc.property(code, (text) => {
      const period = periodOf(text) as Period;
      const months = monthsOf(period);
      expect(months).toHaveLength({ month: 1, quarter: 3, year: 12 }[period.kind]);
      expect(months[0]?.firstDay).toBe(period.firstDay);
      expect(months.at(-1)?.endDay).toBe(period.endDay);
      for (const [index, month] of months.entries()) {
        expect(month).toEqual(periodOf(month.code));
        expect(month.endDay).toBe(months[index + 1]?.firstDay ?? period.endDay);
      }
    }),
  );
});

test("a period is over on the day after its last, not on its last", () => {
  const may = periodOf("2026-05") as Period;
  expect([isOver(may, "2026-05-31"), isOver(may, "2026-06-01")]).toEqual([false, true]);
});
