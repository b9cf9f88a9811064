import fc from "fast-check";
import { describe, expect, test } from "vitest";
import {
  coverageOfPatient,
  covers,
  intersect,
  subtract,
  timeOfUse,
  union,
  unvouchedTimes,
} from "../../src/domain/range.ts";

const range = (startMs: number, endMs: number) => ({ startMs, endMs });
const use = (deviceId: string, startMs: number, endMs?: number) => ({
  useId: `use-${deviceId}-${startMs}`,
  deviceId,
  patientId: "patient-1",
  startMs,
  ...(endMs !== undefined && { endMs }),
});
const read = (deviceId: string, startMs: number, endMs: number) => ({ deviceId, uploadId: "upload-1", startMs, endMs });
const anyRanges = fc.array(
  fc
    .tuple(fc.integer({ min: 0, max: 60 }), fc.integer({ min: 0, max: 20 }))
    .map(([at, length]) => range(at, at + length)),
  { maxLength: 8 },
);
const has = (ranges: readonly { startMs: number; endMs: number }[], ms: number) =>
  ranges.some((r) => r.startMs <= ms && ms < r.endMs);

describe("ranges of instants", () => {
  test("ranges that touch become one, ranges a millisecond apart do not", () => {
    expect(union([range(5, 9), range(0, 5)])).toEqual([range(0, 9)]);
    expect(union([range(0, 5), range(6, 9)])).toEqual([range(0, 5), range(6, 9)]);
  });

  test("a range inside another adds nothing, and an empty one vanishes", () => {
    expect(union([range(0, 9), range(2, 3), range(20, 20)])).toEqual([range(0, 9)]);
  });

  test("ranges that only touch have nothing in common", () => {
    expect(intersect([range(0, 5)], [range(5, 9)])).toEqual([]);
  });

  test("a range is covered up to its last millisecond or not at all", () => {
    expect(covers([range(0, 5), range(5, 10)], range(0, 10))).toBe(true);
    expect(covers([range(0, 5), range(5, 9)], range(0, 10))).toBe(false);
    expect(covers([], range(3, 3))).toBe(true);
  });

  test("each instant lies in union, intersection and difference exactly as set theory says", () => {
    fc.assert(
      fc.property(anyRanges, anyRanges, fc.integer({ min: 0, max: 80 }), (a, b, ms) => {
        expect(has(union([...a, ...b]), ms)).toBe(has(a, ms) || has(b, ms));
        expect(has(intersect(a, b), ms)).toBe(has(a, ms) && has(b, ms));
        expect(has(subtract(a, b), ms)).toBe(has(a, ms) && !has(b, ms));
      }),
    );
  });

  test("union is in order and leaves gaps between its ranges", () => {
    fc.assert(
      fc.property(anyRanges, (ranges) => {
        const merged = union(ranges);
        merged.slice(1).forEach((r, index) => {
          expect(r.startMs).toBeGreaterThan(merged[index]?.endMs ?? Number.POSITIVE_INFINITY);
        });
      }),
    );
  });
});

describe("what the records vouch for", () => {
  test("a use that lasts has no end", () => {
    expect(timeOfUse(use("a", 10))).toEqual(range(10, Number.POSITIVE_INFINITY));
  });

  test("an upload vouches for a patient only while the patient had the machine", () => {
    expect(coverageOfPatient([read("a", 0, 100)], [use("a", 40, 60)])).toEqual([range(40, 60)]);
  });

  test("an upload of a machine that the patient never had vouches for nothing", () => {
    expect(coverageOfPatient([read("b", 0, 100)], [use("a", 40, 60)])).toEqual([]);
  });

  test("records reach as far as any machine's do", () => {
    expect(coverageOfPatient([read("a", 0, 50), read("b", 30, 80)], [use("a", 0), use("b", 20)])).toEqual([
      range(0, 80),
    ]);
  });

  test("one silent machine leaves the time open although the other was read", () => {
    expect(unvouchedTimes([read("a", 0, 100)], [use("a", 0, 100), use("b", 30, 60)], 100)).toEqual([range(30, 60)]);
  });

  test("a returned machine needs to vouch for nothing after its return", () => {
    expect(unvouchedTimes([read("a", 0, 40), read("b", 40, 90)], [use("a", 0, 40), use("b", 40, 90)], 100)).toEqual([]);
  });

  test("nothing after now is vouched for, whatever the upload claims", () => {
    expect(unvouchedTimes([read("a", 0, 500)], [use("a", 0)], 100)).toEqual([range(100, Number.POSITIVE_INFINITY)]);
  });
});
