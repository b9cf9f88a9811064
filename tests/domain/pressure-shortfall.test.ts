import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { percentile } from "../../src/domain/cycle-summary.ts";
import { cyclesShortOfPressure, recordedPressures, shortOfPressure } from "../../src/domain/pressure-shortfall.ts";
import type { Session } from "../../src/domain/session.ts";
import { exampleSession } from "./example-picture.ts";

const set = { insufflationPressureCmH2O: 40, exsufflationPressureCmH2O: -40 };
const cycle = (insufflation?: number, exsufflation?: number) => ({
  ...(insufflation !== undefined && { peakInsufflationPressureCmH2O: insufflation }),
  ...(exsufflation !== undefined && { peakExsufflationPressureCmH2O: exsufflation }),
});

describe("cycles short of the set pressure by more than a fifth", () => {
  test.each([
    ["exactly a fifth is not short", [cycle(32, -32)], 0],
    ["a little more is, in insufflation", [cycle(31.9, -40)], 1],
    ["a little more is, in exsufflation, whose numbers are negative", [cycle(40, -31.9)], 1],
    ["a cycle short of both counts once", [cycle(20, -20)], 1],
    ["more than was set is not short", [cycle(45, -45)], 0],
    ["cycles that state nothing do not count", [cycle(), cycle(20)], 1],
  ])("%s", (_what, cycles, short) => {
    expect(cyclesShortOfPressure(cycles, set, 0.2)).toBe(short);
  });

  test("where no cycle can be judged nobody can tell", () => {
    expect(cyclesShortOfPressure([], set, 0.2)).toBeUndefined();
    expect(cyclesShortOfPressure([cycle()], set, 0.2)).toBeUndefined();
    expect(cyclesShortOfPressure([cycle(20, -20)], {}, 0.2)).toBeUndefined();
    expect(cyclesShortOfPressure([cycle(20)], { insufflationPressureCmH2O: 0 }, 0.2)).toBeUndefined();
  });

  test("a fifth of 35 and the like are exact although binary fractions are not", () => {
    expect(cyclesShortOfPressure([cycle(28)], { insufflationPressureCmH2O: 35 }, 0.2)).toBe(0);
    expect(cyclesShortOfPressure([cycle(24.5)], { insufflationPressureCmH2O: 35 }, 0.3)).toBe(0);
  });
});

const shares = { toleranceShare: 0.2, cyclesShare: 0.3 };
const session = (over: Partial<Session>) => exampleSession("2026-03-14T08:00", over);
const judged = (over: Partial<Session>, prescribed = {}) => shortOfPressure(session(over), prescribed, shares);

describe("a session with counted cycles", () => {
  test("is short with more than three tenths of them short, and not with exactly three tenths", () => {
    expect(judged({ cyclesDelivered: 20, cyclesShortOfPressure: 7 })).toBe("short");
    expect(judged({ cyclesDelivered: 20, cyclesShortOfPressure: 6 })).toBe("not-short");
  });

  test("is told by the count and not by its spread", () => {
    const spread = { achievedInsufflationPressureCmH2O: { median: 10 }, setInsufflationPressureCmH2O: 40 };
    expect(judged({ ...spread, cyclesDelivered: 20, cyclesShortOfPressure: 0 })).toBe("not-short");
  });
});

describe("a session with a spread only", () => {
  const insufflation = (median: number, p5?: number, p95?: number) =>
    judged({
      setInsufflationPressureCmH2O: 40,
      achievedInsufflationPressureCmH2O: { median, ...(p5 !== undefined && { p5 }), ...(p95 !== undefined && { p95 }) },
    });

  test("is short when the median is, for then half of the cycles are", () => {
    expect(insufflation(31.9)).toBe("short");
  });

  test("is not short when the worst twentieth is not", () => {
    expect(insufflation(38, 32)).toBe("not-short");
  });

  test("cannot tell in between", () => {
    expect(insufflation(32)).toBe("cannot-tell");
    expect(insufflation(38, 31)).toBe("cannot-tell");
  });

  test("of few cycles tells less, for a percentile lies between two of them", () => {
    const few = {
      setInsufflationPressureCmH2O: 40,
      achievedInsufflationPressureCmH2O: { median: 38, p5: 32, p95: 45 },
    };
    expect(judged({ ...few, cyclesDelivered: 2 })).toBe("cannot-tell");
    expect(judged({ ...few, cyclesDelivered: 20 })).toBe("not-short");
  });

  test("reads suction by its sign: the 95th percentile is the weakest", () => {
    const suction = (median: number, p5: number, p95: number) =>
      judged({ setExsufflationPressureCmH2O: -40, achievedExsufflationPressureCmH2O: { median, p5, p95 } });
    expect(suction(-38, -41, -33)).toBe("not-short");
    expect(suction(-38, -41, -31)).toBe("cannot-tell");
    expect(suction(-30, -33, -28)).toBe("short");
  });

  test("takes the prescribed pressure where the device recorded none", () => {
    expect(judged({ achievedInsufflationPressureCmH2O: { median: 30 } }, set)).toBe("short");
    expect(judged({ achievedInsufflationPressureCmH2O: { median: 30 } })).toBe("cannot-tell");
  });
});

test("what the spread tells never contradicts the cycles that it was made of", () => {
  const peaks = fc.array(fc.integer({ min: 10, max: 45 }), { minLength: 1, maxLength: 40 });
  fc.assert(
    fc.property(peaks, fc.constantFrom(0.1, 0.3, 0.6), (values, cyclesShare) => {
      const limits = { toleranceShare: 0.2, cyclesShare };
      const spread = {
        median: percentile(values, 0.5) ?? 0,
        p5: percentile(values, 0.05) ?? 0,
        p95: percentile(values, 0.95) ?? 0,
      };
      const byCycles = values.filter((value) => value < 32).length / values.length;
      const told = shortOfPressure(
        session({
          cyclesDelivered: values.length,
          setInsufflationPressureCmH2O: 40,
          achievedInsufflationPressureCmH2O: spread,
        }),
        {},
        limits,
      );
      if (told === "short") expect(byCycles).toBeGreaterThan(cyclesShare);
      if (told === "not-short") expect(byCycles).toBeLessThanOrEqual(cyclesShare);
    }),
  );
});

test("recorded pressures are those that the session states", () => {
  expect(recordedPressures({ setInsufflationPressureCmH2O: 35 })).toEqual({ insufflationPressureCmH2O: 35 });
});
