import { describe, expect, test } from "vitest";
import { changeSignal, leastSigma } from "../../../src/domain/change-signal/change-signal.ts";
import { addDays } from "../../../src/domain/local-day.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import { changeSignalDays } from "../../../src/domain/picture-window.ts";
import type { Session } from "../../../src/domain/session.ts";
import { type ChangeSignalSettings, defaultThresholds } from "../../../src/domain/thresholds.ts";
import { examplePicture, examplePlan, exampleSession } from "../example-picture.ts";

const hours = ["08:00", "20:00", "10:00", "14:00", "16:30", "18:00"];

/** So many sessions on each day from 1 January 2026 on; the picture's last full day is 14 March. */
function perDay(counts: readonly number[], firstDay = "2026-01-01"): Session[] {
  return counts.flatMap((count, i) =>
    hours.slice(0, count).map((hour) => exampleSession(`${addDays(firstDay, i)}T${hour}`)),
  );
}

function watched(
  sessions: readonly Session[],
  settings: Partial<ChangeSignalSettings> = {},
  over: Partial<Picture> = {},
) {
  const changeSignalSettings = { ...defaultThresholds.changeSignal, on: true, ...settings };
  return changeSignal(
    examplePicture({ sessions, ...over, thresholds: { ...defaultThresholds, changeSignal: changeSignalSettings } }),
  );
}

// 1 January to 14 March are 73 days: twenty of baseline, 53 watched.
const steady = Array.from({ length: 73 }, (_, i) => (i % 4 === 3 ? 1 : 2));

describe("the baseline", () => {
  test("is the first twenty known days since the plan began, frozen whatever comes later", () => {
    const signal = watched(perDay(steady));
    expect(signal.points).toHaveLength(73);
    expect(
      signal.points
        .filter((point) => point.phase === "baseline")
        .map((point) => point.day)
        .at(-1),
    ).toBe("2026-01-20");
    expect(signal.centre).toBe(1.75);
    expect(watched(perDay([...steady.slice(0, 60), ...Array(13).fill(6)])).centre).toBe(1.75);
  });

  test("nineteen known days are not enough, twenty are", () => {
    const plan = (firstDay: string) => ({ plans: [examplePlan({ firstDay })] });
    expect(watched(perDay(steady), {}, plan("2026-02-24"))).toMatchObject({
      absentReason: "baseline-incomplete",
      baselineKnownDays: 19,
    });
    expect(watched(perDay(steady), {}, plan("2026-02-23"))).not.toHaveProperty("absentReason");
  });

  test("begins anew on the day a person says", () => {
    const sessions = perDay([...Array(40).fill(2), ...Array(33).fill(4)]);
    const signal = watched(sessions, {}, { plans: [examplePlan({ baselineDay: "2026-02-10" })] });
    expect(signal).toMatchObject({ baselineDay: "2026-02-10", centre: 4 });
    expect(signal.latestSignal).toBeUndefined();
    expect(watched(sessions).latestSignal).toMatchObject({ direction: "up" });
  });

  test("a day for it that lies ahead changes nothing yet", () => {
    const signal = watched(perDay(steady), {}, { plans: [examplePlan({ baselineDay: "2026-03-16" })] });
    expect(signal.baselineDay).toBe("2026-01-01");
  });

  test("days of which nothing is known are left out, and are never a fall", () => {
    const unread = examplePicture().coverage.map((range) => ({ ...range, endMs: range.startMs + 60 * 86_400_000 }));
    const signal = watched(perDay(steady.slice(0, 60)), {}, { coverage: unread });
    expect(signal.points.at(-1)?.day).toBe("2026-03-01");
    expect(signal.latestSignal).toBeUndefined();
  });

  test("days in hospital are left out", () => {
    const absences = [{ sourceId: "e", kind: "hospital" as const, firstDay: "2026-03-01", endDay: "2026-03-08" }];
    const counts = steady.map((count, i) => (i >= 59 && i < 66 ? 0 : count));
    const signal = watched(perDay(counts), {}, { absences });
    expect(signal.points).toHaveLength(66);
    expect(signal.latestSignal).toBeUndefined();
  });

  test("one that began before the picture's reach must be set anew", () => {
    const firstDay = addDays("2026-03-15", -changeSignalDays - 1);
    expect(watched([], {}, { plans: [examplePlan({ firstDay })] })).toMatchObject({ absentReason: "baseline-too-old" });
  });

  test("without a plan there is none", () => {
    expect(watched(perDay(steady), {}, { plans: [] })).toMatchObject({ absentReason: "no-plan", points: [] });
  });
});

describe("a baseline that never varied", () => {
  const always = Array(73).fill(2) as number[];

  test("has the least spread, so that one session more on one day is no signal", () => {
    const signal = watched(perDay([...always.slice(0, 72), 3]));
    expect(signal.sigma).toBe(leastSigma);
    expect(signal.latestSignal).toBeUndefined();
  });

  test("two more on one day are", () => {
    const signal = watched(perDay([...always.slice(0, 72), 4]));
    expect(signal.latestSignal).toEqual({ day: "2026-03-14", rule: "beyond-limit", direction: "up" });
  });
});

describe.each(["xmr", "xmr-2.66", "ewma", "cusum"] as const)("by the chart %s", (method) => {
  test("use that goes on as before gives no signal", () => {
    expect(watched(perDay(steady), { method }).firstSignalDay).toBeUndefined();
  });

  test("two more sessions a day for ten days are a rise, and no session for ten days is a fall", () => {
    const up = watched(perDay([...steady.slice(0, 63), ...Array(10).fill(4)]), { method });
    expect(up.latestSignal).toMatchObject({ day: "2026-03-14", direction: "up" });
    const down = watched(perDay([...steady.slice(0, 63), ...Array(10).fill(0)]), { method });
    expect(down.latestSignal).toMatchObject({ day: "2026-03-14", direction: "down" });
  });

  test("every watched day has its statistic and limits, and the first signal is none before the change", () => {
    const signal = watched(perDay([...steady.slice(0, 63), ...Array(10).fill(4)]), { method });
    for (const { phase, upper, statistic } of signal.points) {
      if (phase === "watched") expect([Number.isFinite(upper), Number.isFinite(statistic)]).toEqual([true, true]);
    }
    expect((signal.firstSignalDay ?? "") >= "2026-03-05").toBe(true);
  });
});

test("the order and repetition of uploads change nothing", () => {
  const sessions = perDay(steady);
  const signal = watched(sessions);
  expect(watched([...sessions].reverse())).toEqual(signal);
});
