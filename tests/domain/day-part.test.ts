import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { checkDayParts, settleDay, timeOfDay, timeOfDayPart } from "../../src/domain/day-part.ts";
import type { DayPart } from "../../src/domain/prescription.ts";

const morning: DayPart = { code: "morning", from: "04:00", to: "12:00" };
const evening: DayPart = { code: "evening", from: "16:00", to: "04:00" };
const both = [morning, evening];
const instant = (text: string) => Temporal.Instant.from(text).epochMilliseconds;

describe("the day and day part of a session", () => {
  test.each([
    ["2026-06-10T03:59:59.999+01:00", "2026-06-09", "evening"],
    ["2026-06-10T04:00:00+01:00", "2026-06-10", "morning"],
    ["2026-06-10T11:59:59.999+01:00", "2026-06-10", "morning"],
    ["2026-06-10T15:59:59.999+01:00", "2026-06-10", undefined],
    ["2026-06-10T12:00:00+01:00", "2026-06-10", undefined],
    ["2026-06-10T16:00:00+01:00", "2026-06-10", "evening"],
    ["2026-06-10T23:59:59.999+01:00", "2026-06-10", "evening"],
    ["2026-06-11T00:00:00+01:00", "2026-06-10", "evening"],
  ])("%s counts to %s, %s", (start, localDay, dayPart) => {
    const expected = dayPart === undefined ? { localDay } : { localDay, dayPart };
    expect(settleDay(instant(start), "Europe/London", both)).toEqual(expected);
  });

  test("a session after midnight on the first of a month counts to the evening of the last of the month before", () => {
    expect(settleDay(instant("2026-03-01T02:00:00Z"), "Europe/London", both).localDay).toBe("2026-02-28");
  });

  test.each([
    ["Europe/London", "2026-03-29T04:00:00+01:00", "2026-03-29", "morning"],
    ["Europe/London", "2026-03-29T03:59:00+01:00", "2026-03-28", "evening"],
    ["Europe/London", "2026-10-25T04:00:00+00:00", "2026-10-25", "morning"],
    ["America/St_Johns", "2026-11-01T03:59:00-03:30", "2026-10-31", "evening"],
    ["Australia/Lord_Howe", "2026-10-04T04:00:00+11:00", "2026-10-04", "morning"],
    ["Australia/Lord_Howe", "2026-04-05T03:59:00+10:30", "2026-04-04", "evening"],
  ])("in %s the wall clock decides when the clocks change: %s", (zone, start, localDay, dayPart) => {
    expect(settleDay(instant(start), zone, both)).toEqual({ localDay, dayPart });
  });

  test("without parts a session keeps its calendar day", () => {
    expect(settleDay(instant("2026-06-10T02:00:00+01:00"), "Europe/London", [])).toEqual({ localDay: "2026-06-10" });
  });
});

describe("the instants of a day", () => {
  test("run from 04:00 to 04:00 with an evening that wraps", () => {
    expect(timeOfDay("2026-06-10", "Europe/London", both)).toEqual({
      startMs: instant("2026-06-10T04:00:00+01:00"),
      endMs: instant("2026-06-11T04:00:00+01:00"),
    });
  });

  test("run from midnight to midnight when no part wraps, or there is none", () => {
    const midnights = { startMs: instant("2026-06-09T23:00:00Z"), endMs: instant("2026-06-10T23:00:00Z") };
    expect(timeOfDay("2026-06-10", "Europe/London", [morning])).toEqual(midnights);
    expect(timeOfDay("2026-06-10", "Europe/London", [])).toEqual(midnights);
    expect(timeOfDay("2026-06-10", "Europe/London", [{ code: "late", from: "16:00", to: "00:00" }])).toEqual(midnights);
  });

  test("the day before the clocks go forward ends after 23 hours", () => {
    const { startMs, endMs } = timeOfDay("2026-03-28", "Europe/London", both);
    expect((endMs - startMs) / 3_600_000).toBe(23);
  });

  test("contain every session that settles to the day, and no other", () => {
    const zones = ["Europe/London", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Auckland"];
    const year = fc.integer({ min: instant("2026-01-01T00:00:00Z"), max: instant("2026-12-31T00:00:00Z") });
    fc.assert(
      fc.property(year, fc.constantFrom(...zones), (ms, zone) => {
        const time = timeOfDay(settleDay(ms, zone, both).localDay, zone, both);
        expect(time.startMs <= ms && ms < time.endMs).toBe(true);
      }),
    );
  });

  test("a day whose turn falls into the repeated hour is read wide, so that doubt leaves it unknown", () => {
    const night: DayPart = { code: "night", from: "20:00", to: "01:30" };
    expect(timeOfDay("2026-10-24", "Europe/London", [night]).endMs).toBe(instant("2026-10-25T01:30:00+00:00"));
    expect(timeOfDay("2026-10-25", "Europe/London", [night]).startMs).toBe(instant("2026-10-25T01:30:00+01:00"));
  });

  test("a part that wraps ends on the next day", () => {
    expect(timeOfDayPart("2026-06-10", "Europe/London", evening)).toEqual({
      startMs: instant("2026-06-10T16:00:00+01:00"),
      endMs: instant("2026-06-11T04:00:00+01:00"),
    });
    expect(timeOfDayPart("2026-06-10", "Europe/London", morning).endMs).toBe(instant("2026-06-10T12:00:00+01:00"));
  });
});

describe("day parts that cannot be used", () => {
  const details = (parts: DayPart[]) => {
    const checked = checkDayParts(parts);
    return checked.ok ? [] : checked.refusals.map((refusal) => `${refusal.at}: ${refusal.detail}`);
  };

  test("the defaults can be used, and parts may touch", () => {
    expect(checkDayParts(both)).toEqual({ ok: true, value: both });
    expect(details([morning, { code: "noon", from: "12:00", to: "16:00" }, evening])).toEqual([]);
  });

  test("a minute of overlap is refused", () => {
    expect(details([morning, { code: "noon", from: "11:59", to: "15:00" }])[0]).toContain('"noon" overlaps "morning"');
  });

  test("a part that wraps is compared after midnight too", () => {
    expect(details([evening, { code: "early", from: "03:59", to: "12:00" }])[0]).toContain(
      '"early" overlaps "evening"',
    );
  });

  test.each(["24:00", "4:00", "12:60", "noon", ""])("the clock time %j is refused where it stands", (from) => {
    expect(details([{ code: "odd", from, to: "12:30" }])[0]).toMatch(/^dayParts\[0\]\.from: .*write HH:MM/);
  });

  test("a part without length, a code twice, no code and no part at all are refused", () => {
    expect(details([{ code: "none", from: "08:00", to: "08:00" }])[0]).toContain("is empty");
    expect(details([morning, { ...evening, code: "morning" }])[0]).toContain("already taken");
    expect(details([{ ...morning, code: "" }])[0]).toContain("Give the day part a code");
    expect(details([])[0]).toContain("at least one day part");
  });
});
