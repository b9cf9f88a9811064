import { describe, expect, test } from "vitest";
import type { SessionRecord } from "../../src/domain/session.ts";
import { checkSession } from "../../src/domain/session-check.ts";

const MINUTE_MS = 60_000;
const readMs = 30_000 * MINUTE_MS;
const record: SessionRecord = { start: "2026-03-10T08:00:00Z", end: "2026-03-10T08:15:00Z" };

const times = (startMs: number, endMs: number) => checkSession(record, startMs, endMs, readMs, "sessions[2]");
const measures = (measured: Partial<SessionRecord>) =>
  checkSession({ ...record, ...measured }, readMs - 60 * MINUTE_MS, readMs - 45 * MINUTE_MS, readMs, "sessions[2]");
const paths = (measured: Partial<SessionRecord>) => measures(measured).map((refusal) => refusal.at);

describe("the times of a session", () => {
  test("only start and end are needed", () => {
    expect(measures({})).toEqual([]);
  });

  test("the end lies after the start, by a millisecond at least", () => {
    expect(times(1000, 1001)).toEqual([]);
    expect(times(1000, 1000)).toMatchObject([{ kind: "invariant", at: "sessions[2].end" }]);
    expect(times(1000, 999)).toHaveLength(1);
    expect(times(Number.NaN, 999)).toHaveLength(1);
  });

  test("24 hours are taken, a millisecond more is not", () => {
    expect(times(0, 24 * 60 * MINUTE_MS)).toEqual([]);
    expect(times(0, 24 * 60 * MINUTE_MS + 1)[0]?.detail).toContain("longer than 24 hours");
  });

  test("five minutes after the reading are taken, a millisecond more is the future", () => {
    expect(times(readMs, readMs + 5 * MINUTE_MS)).toEqual([]);
    expect(times(readMs, readMs + 5 * MINUTE_MS + 1)[0]?.detail).toContain("future");
  });
});

describe("what no machine can have measured", () => {
  test("published settings pass (Chatwin & Simonds 2020: 25 and -35 cmH2O, 1.5 s in, 1.8 s out, 1.5 s pause)", () => {
    const published = {
      setInsufflationPressureCmH2O: 25,
      setExsufflationPressureCmH2O: -35,
      setInsufflationSeconds: 1.5,
      setExsufflationSeconds: 1.8,
      setPauseSeconds: 1.5,
      peakCoughFlowLitresPerMinute: 60,
    };
    expect(measures(published)).toEqual([]);
  });

  test("the flow of a healthy 18-year-old passes (728 L/min, Bianchi & Baiardi 2008)", () => {
    expect(measures({ peakCoughFlowLitresPerMinute: 728 })).toEqual([]);
  });

  test("a positive exsufflation pressure is refused with the number to send instead", () => {
    expect(measures({ setExsufflationPressureCmH2O: 35 })).toEqual([
      {
        kind: "value",
        at: "sessions[2].setExsufflationPressureCmH2O",
        detail: "Exsufflation is suction, so its pressure is written negative: send -35 instead of 35 cmH2O.",
      },
    ]);
    expect(measures({ setExsufflationPressureCmH2O: 0 })).toEqual([]);
  });

  test.each([
    ["setInsufflationPressureCmH2O", 0, 70, -0.1, 70.1],
    ["setExsufflationPressureCmH2O", -70, 0, -70.1, 0.1],
    ["setInsufflationSeconds", 0.1, 10, 0.09, 10.1],
    ["setExsufflationSeconds", 0.1, 10, 0.09, 10.1],
    ["setPauseSeconds", 0, 10, -0.1, 10.1],
    ["insufflatedVolumeMillilitres", 0, 10_000, -1, 10_001],
    ["peakCoughFlowLitresPerMinute", 0, 1500, -1, 1500.1],
    ["leakLitresPerMinute", 0, 500, -0.1, 500.1],
    ["lowestSpo2Percent", 0, 100, -0.1, 100.1],
    ["meanSpo2Percent", 0, 100, -0.1, 100.1],
    ["pulsePerMinute", 0, 350, -1, 350.1],
  ])("%s runs from %d to %d", (name, lowest, highest, under, over) => {
    expect(paths({ [name]: lowest })).toEqual([]);
    expect(paths({ [name]: highest })).toEqual([]);
    expect(paths({ [name]: under })).toEqual([`sessions[2].${name}`]);
    expect(paths({ [name]: over })).toEqual([`sessions[2].${name}`]);
    expect(paths({ [name]: Number.NaN })).toEqual([`sessions[2].${name}`]);
    expect(paths({ [name]: Number.POSITIVE_INFINITY })).toEqual([`sessions[2].${name}`]);
  });

  test.each(["sequenceNumber", "cyclesDelivered", "cyclesTriggered"])("%s is a whole number, 0 or more", (name) => {
    expect(paths({ [name]: 0 })).toEqual([]);
    for (const value of [-1, 1.5, Number.NaN, Number.POSITIVE_INFINITY]) {
      expect(paths({ [name]: value })).toEqual([`sessions[2].${name}`]);
    }
  });

  test("all cycles may be triggered, more than all may not", () => {
    expect(paths({ cyclesDelivered: 20, cyclesTriggered: 20 })).toEqual([]);
    expect(paths({ cyclesDelivered: 20, cyclesTriggered: 21 })).toEqual(["sessions[2].cyclesTriggered"]);
  });

  test("the lowest saturation may equal the mean but not pass it", () => {
    expect(paths({ lowestSpo2Percent: 94, meanSpo2Percent: 94 })).toEqual([]);
    expect(paths({ lowestSpo2Percent: 95, meanSpo2Percent: 94 })).toEqual(["sessions[2].lowestSpo2Percent"]);
  });

  test("percentiles run in order of the signed numbers", () => {
    const at = "sessions[2].achievedExsufflationPressureCmH2O";
    expect(paths({ achievedExsufflationPressureCmH2O: { median: -40, p5: -42, p95: -38 } })).toEqual([]);
    expect(paths({ achievedExsufflationPressureCmH2O: { median: -40, p5: -38, p95: -42 } })).toEqual([at]);
    expect(paths({ achievedExsufflationPressureCmH2O: { median: -40, p5: -39 } })).toEqual([at]);
    expect(paths({ achievedExsufflationPressureCmH2O: { median: -40, p95: -41 } })).toEqual([at]);
    expect(paths({ achievedExsufflationPressureCmH2O: { median: -40 } })).toEqual([]);
  });

  test("a cycle's fault is refused at that cycle", () => {
    const cycles = [
      { peakInsufflationPressureCmH2O: 40, peakExsufflationPressureCmH2O: -40 },
      { peakExsufflationPressureCmH2O: 40, insufflatedVolumeMillilitres: -5 },
    ];
    expect(paths({ cycles })).toEqual([
      "sessions[2].cycles[1].peakExsufflationPressureCmH2O",
      "sessions[2].cycles[1].insufflatedVolumeMillilitres",
    ]);
  });

  test("every fault is told at once", () => {
    expect(paths({ pulsePerMinute: 900, leakLitresPerMinute: 900, setPauseSeconds: 90 })).toHaveLength(3);
  });
});
