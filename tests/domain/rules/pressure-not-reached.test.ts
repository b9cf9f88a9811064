import { describe, expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { pressureNotReached } from "../../../src/domain/rules/pressure-not-reached.ts";
import { examplePicture, exampleSession } from "../example-picture.ts";

/** The last five sessions of March, the oldest first; each 20 cycles with so many short. */
function picture(...short: (number | undefined)[]) {
  const sessions = short.map((count, i) =>
    exampleSession(`2026-03-${10 + i}T08:00`, count === undefined ? {} : { cyclesShortOfPressure: count }),
  );
  return examplePicture({ sessions });
}

describe("the default: more than 30 % of cycles short, in 3 of the last 5 sessions", () => {
  test("three of five are found, and where to look is said", () => {
    const [finding] = findingsOf(pressureNotReached, picture(7, 0, 7, 0, 7));
    expect(finding).toMatchObject({ severity: "review", sinceDay: "2026-03-10", subject: "therapy" });
    expect(finding?.text).toBe(
      "In 3 of the last 5 sessions that can tell, more than 30 % of the cycles fell short of the set pressure by more than 20 %. Look at the seal of the mask or the cuff, and at the circuit, for a leak.",
    );
    expect(finding?.evidence).toHaveLength(3);
  });

  test("two of five are not, nor three with exactly 30 %", () => {
    expect(findingsOf(pressureNotReached, picture(7, 0, 7, 0, 0))).toEqual([]);
    expect(findingsOf(pressureNotReached, picture(7, 0, 7, 0, 6))).toEqual([]);
  });

  test("three in a row that are older than the last five are over", () => {
    expect(findingsOf(pressureNotReached, picture(7, 7, 7, 0, 0, 0, 0, 0))).toEqual([]);
  });

  test("a session that cannot tell is passed over, and another is looked at instead", () => {
    expect(findingsOf(pressureNotReached, picture(7, 7, undefined, undefined, undefined, 7))).toHaveLength(1);
  });

  test("two sessions that can tell are too few", () => {
    const [examination] = pressureNotReached.examine(picture(7, 7));
    expect(examination?.finding).toBeUndefined();
    expect(examination?.steps).toMatchObject([{ name: "sessions-that-tell", holds: false, value: 2, threshold: 3 }]);
  });
});

test("where the device records no set pressure, the prescribed one of the day's plan counts", () => {
  const sessions = [10, 11, 12].map((day) =>
    exampleSession(`2026-03-${day}T08:00`, { profileSlot: "1", achievedInsufflationPressureCmH2O: { median: 25 } }),
  );
  expect(findingsOf(pressureNotReached, examplePicture({ sessions }))).toHaveLength(1);
  expect(findingsOf(pressureNotReached, examplePicture({ sessions, plans: [] }))).toEqual([]);
});
