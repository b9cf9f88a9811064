import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { Session } from "../../src/domain/session.ts";
import { mergeSittings } from "../../src/domain/sitting.ts";

const MINUTE_MS = 60_000;

function session(sessionId: string, fromMinute: number, toMinute: number, test = false): Session {
  return {
    sessionId,
    patientId: "patient-1",
    deviceId: "device-1",
    startMs: fromMinute * MINUTE_MS,
    endMs: toMinute * MINUTE_MS,
    deviceStart: "2026-03-01T08:00:00",
    localDay: "2026-03-01",
    readMs: 10_000 * MINUTE_MS,
    recordDigest: "00",
    ...(test && { test }),
  };
}

const anySessions = fc
  .array(fc.tuple(fc.integer({ min: 0, max: 300 }), fc.integer({ min: 1, max: 40 })), { maxLength: 10 })
  .map((spans) => spans.map(([from, length], index) => session(`session-${index}`, from, from + length)));

describe("sittings", () => {
  test("a gap a millisecond shorter than the rest gap is no rest", () => {
    const late = { ...session("b", 20, 30), startMs: 20 * MINUTE_MS - 1 };
    expect(mergeSittings([session("a", 0, 10), late], 10)).toHaveLength(1);
  });

  test("a gap of exactly the rest gap is a rest", () => {
    expect(mergeSittings([session("a", 0, 10), session("b", 20, 30)], 10)).toHaveLength(2);
  });

  test("stopping and starting the device does not hide a long sitting", () => {
    const [sitting] = mergeSittings([session("a", 0, 18), session("b", 20, 38)], 10);
    expect(sitting).toMatchObject({ startMs: 0, endMs: 38 * MINUTE_MS, seconds: 36 * 60 });
  });

  test("time on two machines at once counts once", () => {
    const [sitting] = mergeSittings([session("a", 0, 20), session("b", 10, 15)], 0);
    expect(sitting).toMatchObject({ endMs: 20 * MINUTE_MS, seconds: 20 * 60 });
  });

  test("a test of the machine is no sitting and does not join two others", () => {
    const sittings = mergeSittings([session("a", 0, 10), session("t", 10, 25, true), session("b", 25, 30)], 10);
    expect(sittings.map((s) => s.sessions.map((each) => each.sessionId))).toEqual([["a"], ["b"]]);
  });

  test("no sessions, no sittings", () => {
    expect(mergeSittings([], 10)).toEqual([]);
  });

  test("the order in which sessions come in changes nothing", () => {
    const shuffled = anySessions.chain((sessions) =>
      fc.tuple(
        fc.constant(sessions),
        fc.shuffledSubarray(sessions, { minLength: sessions.length, maxLength: sessions.length }),
      ),
    );
    fc.assert(
      fc.property(shuffled, ([sessions, mixed]) => {
        expect(mergeSittings(mixed, 10)).toEqual(mergeSittings(sessions, 10));
      }),
    );
  });

  test("merging what was merged changes nothing", () => {
    fc.assert(
      fc.property(anySessions, (sessions) => {
        const sittings = mergeSittings(sessions, 10);
        const again = mergeSittings(
          sittings.map((s, index) => session(`sitting-${index}`, s.startMs / MINUTE_MS, s.endMs / MINUTE_MS)),
          10,
        );
        expect(again.map(({ startMs, endMs }) => [startMs, endMs])).toEqual(
          sittings.map(({ startMs, endMs }) => [startMs, endMs]),
        );
      }),
    );
  });

  test("every session lies in exactly one sitting", () => {
    fc.assert(
      fc.property(anySessions, (sessions) => {
        const ids = mergeSittings(sessions, 10).flatMap((s) => s.sessions.map((each) => each.sessionId));
        expect(ids.sort()).toEqual(sessions.map((each) => each.sessionId).sort());
      }),
    );
  });
});
