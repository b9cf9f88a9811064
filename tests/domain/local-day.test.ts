import fc from "fast-check";
import { describe, expect, test } from "vitest";
import {
  addDays,
  addInterval,
  dayNumber,
  dayOfNumber,
  daysBetween,
  isLocalDay,
  isZone,
  laterDay,
  localDayOf,
  minuteOfDay,
  startOfDayMs,
  wallClockMs,
} from "../../src/domain/local-day.ts";

const HOUR_MS = 3_600_000;
const instant = (text: string) => Temporal.Instant.from(text).epochMilliseconds;
const anyNumber = fc.integer({ min: dayNumber("2000-01-01"), max: dayNumber("2100-12-31") });

describe("days on which the clocks change (rules of the IANA time zone database)", () => {
  test.each([
    ["Europe/London", "2026-03-29", 23],
    ["Europe/London", "2026-10-25", 25],
    ["Europe/London", "2026-06-01", 24],
    ["America/St_Johns", "2026-03-08", 23],
    ["America/St_Johns", "2026-11-01", 25],
    ["Australia/Lord_Howe", "2026-10-04", 23.5],
    ["Australia/Lord_Howe", "2026-04-05", 24.5],
    ["Pacific/Auckland", "2026-09-27", 23],
    ["Pacific/Auckland", "2026-04-05", 25],
  ])("in %s, %s has %d hours", (zone, day, hours) => {
    expect(startOfDayMs(addDays(day, 1), zone) - startOfDayMs(day, zone)).toBe(hours * HOUR_MS);
  });

  test("of two days the later is the one that comes after, whichever is named first", () => {
    expect([laterDay("2026-03-01", "2026-02-28"), laterDay("2026-02-28", "2026-03-01")]).toEqual([
      "2026-03-01",
      "2026-03-01",
    ]);
  });

  test("the week the clocks change still has seven days", () => {
    expect(daysBetween("2026-03-26", "2026-04-02")).toBe(7);
    expect(addDays("2026-03-26", 7)).toBe("2026-04-02");
  });

  test("where the clocks jump over midnight the day starts at the first instant after it (Cairo, 24 April 2026)", () => {
    expect(startOfDayMs("2026-04-24", "Africa/Cairo")).toBe(instant("2026-04-24T01:00:00+03:00"));
  });
});

describe("the local day of an instant", () => {
  test("changes at local midnight and not a millisecond earlier", () => {
    expect(localDayOf(instant("2026-07-01T00:00:00+01:00"), "Europe/London")).toBe("2026-07-01");
    expect(localDayOf(instant("2026-07-01T00:00:00+01:00") - 1, "Europe/London")).toBe("2026-06-30");
  });

  test("may be a day ahead of UTC or a day behind", () => {
    expect(localDayOf(instant("2026-07-01T11:00:00Z"), "Pacific/Kiritimati")).toBe("2026-07-02");
    expect(localDayOf(instant("2026-07-01T09:00:00Z"), "Pacific/Pago_Pago")).toBe("2026-06-30");
  });

  test("agrees with Temporal at any instant from 2012 to 2100", () => {
    const zones = ["Europe/London", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Auckland", "Asia/Kathmandu"];
    const instants = fc.integer({ min: instant("2012-01-01T00:00:00Z"), max: instant("2100-12-31T00:00:00Z") });
    fc.assert(
      fc.property(instants, fc.constantFrom(...zones), (ms, zone) => {
        const clock = Temporal.Instant.fromEpochMilliseconds(ms).toZonedDateTimeISO(zone);
        expect(localDayOf(ms, zone)).toBe(clock.toPlainDate().toString());
        expect(minuteOfDay(ms, zone)).toBe(clock.hour * 60 + clock.minute);
      }),
    );
  });

  test("days have no gap and no overlap, also where an hour was repeated over midnight (Newfoundland 2010)", () => {
    const repeated = instant("2010-11-06T23:30:00-03:30");
    expect(localDayOf(repeated, "America/St_Johns")).toBe("2010-11-07");
    expect(startOfDayMs("2010-11-07", "America/St_Johns")).toBeLessThan(repeated);
  });

  test("an unknown zone is a broken assumption", () => {
    expect(() => localDayOf(0, "Europe/Atlantis")).toThrow(RangeError);
  });

  test("more zones and days than the memo holds still give right answers", () => {
    for (let number = 0; number < 9000; number += 1) startOfDayMs(dayOfNumber(number), "Europe/London");
    expect(startOfDayMs("2026-07-01", "Europe/London")).toBe(instant("2026-06-30T23:00:00Z"));
  });
});

describe("the wall clock", () => {
  test("reads the same twice on the night the clocks go back", () => {
    expect(minuteOfDay(instant("2026-10-25T01:30:00+01:00"), "Europe/London")).toBe(90);
    expect(minuteOfDay(instant("2026-10-25T01:30:00+00:00"), "Europe/London")).toBe(90);
  });

  test("16:00 on a day of 23 hours is 15 hours after midnight", () => {
    const start = startOfDayMs("2026-03-29", "Europe/London");
    expect(wallClockMs("2026-03-29", 16 * 60, "Europe/London", "earlier")).toBe(start + 15 * HOUR_MS);
  });

  test("a reading that occurs twice has an earlier and a later instant", () => {
    expect(wallClockMs("2026-10-25", 90, "Europe/London", "earlier")).toBe(instant("2026-10-25T00:30:00Z"));
    expect(wallClockMs("2026-10-25", 90, "Europe/London", "later")).toBe(instant("2026-10-25T01:30:00Z"));
  });

  test("an ordinary day has one instant for each reading", () => {
    expect(wallClockMs("2026-06-01", 240, "Europe/London", "earlier")).toBe(instant("2026-06-01T04:00:00+01:00"));
    expect(wallClockMs("2026-06-01", 240, "Europe/London", "later")).toBe(instant("2026-06-01T04:00:00+01:00"));
  });
});

describe("counting days", () => {
  test("agrees with Temporal for any two days", () => {
    fc.assert(
      fc.property(anyNumber, fc.integer({ min: -40_000, max: 40_000 }), (number, count) => {
        const day = dayOfNumber(number);
        const later = Temporal.PlainDate.from(day).add({ days: count });
        fc.pre(later.year >= 0);
        expect(addDays(day, count)).toBe(later.toString());
        expect(daysBetween(day, later.toString())).toBe(count);
      }),
    );
  });

  test.each([
    ["2026-01-31", 1, "2026-02-28"],
    ["2028-01-31", 1, "2028-02-29"],
    ["2026-01-28", 1, "2026-02-28"],
    ["2026-11-30", 3, "2027-02-28"],
    ["2026-12-15", 12, "2027-12-15"],
    ["2026-03-31", -1, "2026-02-28"],
  ])("%s and %d calendar months give %s", (day, months, expected) => {
    expect(addInterval(day, { months })).toBe(expected);
  });

  test("an interval in days is just days", () => {
    expect(addInterval("2026-02-20", { days: 14 })).toBe("2026-03-06");
  });

  test("calendar months agree with Temporal's", () => {
    fc.assert(
      fc.property(anyNumber, fc.integer({ min: -60, max: 60 }), (number, months) => {
        const day = dayOfNumber(number);
        const expected = Temporal.PlainDate.from(day).add({ months }, { overflow: "constrain" }).toString();
        expect(addInterval(day, { months })).toBe(expected);
      }),
    );
  });

  test.each(["2026-1-01", "2026-13-01", "yesterday", "", "2026-00-10"])("%j is no local day", (text) => {
    expect(() => dayNumber(text)).toThrow("write YYYY-MM-DD");
    expect(isLocalDay(text)).toBe(false);
  });

  test("29 February exists in 2028 and 2000, not in 2026 or 2100", () => {
    expect(["2028-02-29", "2000-02-29", "2026-02-29", "2100-02-29"].map(isLocalDay)).toEqual([
      true,
      true,
      false,
      false,
    ]);
  });
});

describe("zones", () => {
  test.each(["Europe/London", "America/St_Johns", "UTC"])("%s is one", (zone) => {
    expect(isZone(zone)).toBe(true);
    startOfDayMs("2026-01-01", zone);
    expect(isZone(zone)).toBe(true);
  });

  test.each(["Europe/Atlantis", "+01:00", "", "London time"])("%j is none", (zone) => {
    expect(isZone(zone)).toBe(false);
  });
});
