import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { type ClockCorrection, correctedMs, correctionOf } from "../../src/domain/clock-correction.ts";
import type { Result } from "../../src/domain/result.ts";

const instant = (text: string) => Temporal.Instant.from(text).epochMilliseconds;

function answerOf<T>(result: Result<T>): T {
  if (!result.ok) throw new Error(result.refusals[0]?.detail);
  return result.value;
}

function detailOf(result: Result<unknown>): string {
  return result.ok ? "accepted" : (result.refusals[0]?.detail ?? "");
}

const correction = (readAt: string, deviceClockAtReading?: string): ClockCorrection =>
  answerOf(correctionOf({ readAt, deviceClockAtReading }));

describe("correcting the device clock", () => {
  test("a clock ten minutes ahead is put back by ten minutes", () => {
    const ahead = correction("2026-03-10T12:00:00Z", "2026-03-10T12:10:00Z");
    expect(ahead.driftMs).toBe(600_000);
    expect(answerOf(correctedMs("2026-03-09T08:10:00Z", ahead))).toBe(instant("2026-03-09T08:00:00Z"));
  });

  test("a clock that lags has a negative drift", () => {
    expect(correction("2026-03-10T12:00:00Z", "2026-03-10T11:59:59.5Z").driftMs).toBe(-500);
  });

  test("a clock whose zone nobody stated is corrected all the same, and its drift is not known", () => {
    const local = correction("2026-03-10T12:00:00Z", "2026-03-10T14:03:00");
    expect(local.driftMs).toBeUndefined();
    expect(answerOf(correctedMs("2026-03-10T10:03:00", local))).toBe(instant("2026-03-10T08:00:00Z"));
  });

  test("a device that knows no summer time is not moved by the night the clocks change", () => {
    const local = correction("2026-03-29T12:00:00Z", "2026-03-29T12:00:00");
    expect(answerOf(correctedMs("2026-03-29T01:30:00", local))).toBe(instant("2026-03-29T01:30:00Z"));
    expect(answerOf(correctedMs("2026-03-28T12:00:00", local))).toBe(instant("2026-03-28T12:00:00Z"));
  });

  test("without a reading of the device clock a time with an offset stands as it is", () => {
    expect(answerOf(correctedMs("2026-03-10T08:00:00+05:30", correction("2026-03-11T00:00:00Z")))).toBe(
      instant("2026-03-10T02:30:00Z"),
    );
  });

  test("a correction never changes how long a session was", () => {
    const seconds = fc.integer({ min: 0, max: 59 }).map((n) => String(n).padStart(2, "0"));
    fc.assert(
      fc.property(seconds, seconds, seconds, (a, b, c) => {
        const drifted = correction("2026-03-10T12:00:00Z", `2026-02-10T12:00:${c}`);
        const from = answerOf(correctedMs(`2026-02-09T08:00:${a}`, drifted));
        const to = answerOf(correctedMs(`2026-02-09T08:20:${b}`, drifted));
        expect(to - from).toBe(20 * 60_000 + (Number(b) - Number(a)) * 1000);
      }),
    );
  });
});

describe("what cannot be corrected", () => {
  test("a time without offset and nothing to tie it to", () => {
    const detail = detailOf(correctedMs("2026-03-10T08:00:00", correction("2026-03-11T00:00:00Z")));
    expect(detail).toContain("Send deviceClockAtReading");
  });

  test("a time without offset against a clock with one, and the other way round", () => {
    const withOffset = correction("2026-03-11T00:00:00Z", "2026-03-11T00:00:00Z");
    const without = correction("2026-03-11T00:00:00Z", "2026-03-11T00:00:00");
    expect(detailOf(correctedMs("2026-03-10T08:00:00", withOffset))).toContain("this time has none");
    expect(detailOf(correctedMs("2026-03-10T08:00:00Z", without))).toContain("deviceClockAtReading has none");
  });

  test("a reading whose own time has no offset", () => {
    expect(correctionOf({ readAt: "2026-03-11T00:00:00" })).toMatchObject({ ok: false, refusals: [{ at: "readAt" }] });
  });

  test("a device clock that is no date-time is refused where it stands", () => {
    const refusedClock = correctionOf({ readAt: "2026-03-11T00:00:00Z", deviceClockAtReading: "noon" });
    expect(refusedClock).toMatchObject({ ok: false, refusals: [{ at: "deviceClockAtReading" }] });
  });
});

describe("date-times as received (RFC 3339 section 5.6)", () => {
  const none = correction("2026-03-11T00:00:00Z");

  // The first two are examples of RFC 3339 section 5.8 with the year moved to 2026; the others are our own.
  test.each([
    ["2026-04-12T23:20:50.52Z", "2026-04-12T23:20:50.520Z"],
    ["2026-12-19T16:39:57-08:00", "2026-12-20T00:39:57Z"],
    ["2026-03-10t08:00:00z", "2026-03-10T08:00:00Z"],
    ["2026-03-10T08:00:00.9999999Z", "2026-03-10T08:00:00.999Z"],
    ["2028-02-29T00:00:00+14:00", "2028-02-28T10:00:00Z"],
  ])("%s is %s", (text, expected) => {
    expect(answerOf(correctedMs(text, none))).toBe(instant(expected));
  });

  test.each([
    "2026-02-30T08:00:00Z",
    "2026-13-01T08:00:00Z",
    "2026-03-10T24:00:00Z",
    "2026-03-10T08:60:00Z",
    "2026-03-10T08:00:60Z",
    "2026-03-10T08:00Z",
    "2026-03-10 08:00:00Z",
    "2026-03-10",
    "",
  ])("%j is no date-time that exists", (text) => {
    expect(detailOf(correctedMs(text, none))).toContain("no date-time that exists");
  });

  test.each(["2026-03-10T08:00:00+14:01", "2026-03-10T08:00:00-12:01", "2026-03-10T08:00:00+01:60"])(
    "%s has no offset that is in use",
    (text) => {
      expect(detailOf(correctedMs(text, none))).toContain("is no offset in use");
    },
  );

  test.each([
    ["1999-12-31T23:59:59Z", false],
    ["2000-01-01T00:00:00Z", true],
    ["2100-12-31T23:59:59Z", true],
    ["2101-01-01T00:00:00Z", false],
  ])("the years 2000 to 2100 are taken: %s %s", (text, taken) => {
    const result = correctedMs(text, none);
    expect(result.ok).toBe(taken);
    expect(detailOf(result)).toMatch(taken ? "accepted" : "outside the years 2000 to 2100");
  });

  test("any instant in our years reads as Temporal reads it", () => {
    const year = fc.integer({ min: instant("2000-01-02T00:00:00Z"), max: instant("2100-12-30T00:00:00Z") });
    fc.assert(
      fc.property(year, fc.constantFrom("+00:00", "+05:45", "-03:30", "+13:00"), (ms, offset) => {
        const text = Temporal.Instant.fromEpochMilliseconds(ms).toString({ timeZone: offset });
        expect(answerOf(correctedMs(text, none))).toBe(ms);
      }),
    );
  });
});
