import { describe, expect, test } from "vitest";
import { dayRangeOf, endMsOf, firstDayOf, startMsOf } from "../../src/fhir/day-range.ts";

const london = "Europe/London";

describe("a Period as half-open local days (https://hl7.org/fhir/R4/datatypes.html#Period)", () => {
  test.each([
    [
      "an end that is a date is the last day inside",
      { start: "2026-03-01", end: "2026-03-10" },
      { firstDay: "2026-03-01", endDay: "2026-03-11" },
    ],
    ["an open end stays open", { start: "2026-03-01" }, { firstDay: "2026-03-01" }],
    [
      "an end with a time leaves its day to what comes next",
      { start: "2026-03-01", end: "2026-03-10T14:00:00Z" },
      { firstDay: "2026-03-01", endDay: "2026-03-10" },
    ],
    [
      "half past eleven at night in UTC is the next day in summer",
      { start: "2026-06-10T23:30:00Z" },
      { firstDay: "2026-06-11" },
    ],
    [
      "an end that is a month is inside to its last day",
      { start: "2026-01", end: "2026-02" },
      { firstDay: "2026-01-01", endDay: "2026-03-01" },
    ],
    [
      "an end that is a December is inside to New Year's Eve",
      { start: "2025-12", end: "2025-12" },
      { firstDay: "2025-12-01", endDay: "2026-01-01" },
    ],
    [
      "an end that is a year likewise",
      { start: "2025", end: "2025" },
      { firstDay: "2025-01-01", endDay: "2026-01-01" },
    ],
    ["a month starts on its first", { start: "2026-03" }, { firstDay: "2026-03-01" }],
  ])("%s", (_what, period, expected) => {
    expect(dayRangeOf(period, london)).toEqual(expected);
  });

  test("without a start there is no range", () => {
    expect(dayRangeOf({ end: "2026-03-01" }, london)).toBeUndefined();
    expect(dayRangeOf(undefined, london)).toBeUndefined();
  });
});

test("a date starts and ends with its local day, which has 23 hours when the clocks go forward", () => {
  const [start, end] = [startMsOf("2026-03-29", london), endMsOf("2026-03-29", london)];
  expect((end as number) - (start as number)).toBe(23 * 3_600_000);
});

test("a month or a year as an end lasts to its last local midnight", () => {
  expect(endMsOf("2026-06", london)).toBe(Date.parse("2026-06-30T23:00:00Z"));
  expect(endMsOf("2026", london)).toBe(Date.parse("2027-01-01T00:00:00Z"));
});

test("a time is the instant it names, as start and as end", () => {
  expect(startMsOf("2026-03-29T10:00:00+01:00", london)).toBe(Date.parse("2026-03-29T09:00:00Z"));
  expect(endMsOf("2026-03-29T10:00:00+01:00", london)).toBe(Date.parse("2026-03-29T09:00:00Z"));
});

test("an end in 9999 is how some systems write that there is none", () => {
  expect(dayRangeOf({ start: "2026-03-01", end: "9999-12-31" }, london)).toEqual({ firstDay: "2026-03-01" });
  expect([endMsOf("9999-12-31", london), endMsOf("9999-12-31T23:59:59Z", london)]).toEqual([undefined, undefined]);
});

test("what is no date gives nothing", () => {
  expect([firstDayOf("soon", london), startMsOf("soonT", london), endMsOf(undefined, london)]).toEqual([
    undefined,
    undefined,
    undefined,
  ]);
});
