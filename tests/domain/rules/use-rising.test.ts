import { describe, expect, test } from "vitest";
import { addDays } from "../../../src/domain/local-day.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { useRising } from "../../../src/domain/rules/use-rising.ts";
import { defaultThresholds } from "../../../src/domain/thresholds.ts";
import { everySession, examplePicture, exampleSession, instant } from "../example-picture.ts";

const on = { ...defaultThresholds, changeSignal: { ...defaultThresholds.changeSignal, on: true } };

/** Two sessions a day since New Year, and three more on each of the days named. */
function picture(more: readonly string[], over: Partial<Picture> = {}): Picture {
  const extra = more.flatMap((day) => ["10:00", "14:00", "16:30"].map((hour) => exampleSession(`${day}T${hour}`)));
  const sessions = [...everySession("2026-01-01", "2026-03-15"), ...extra].sort((a, b) => a.startMs - b.startMs);
  return examplePicture({ sessions, thresholds: on, ...over });
}

const lastSix = Array.from({ length: 6 }, (_, i) => addDays("2026-03-09", i));

describe("switched on", () => {
  test("five sessions a day after two are told with the day on which it began", () => {
    const [finding] = findingsOf(useRising, picture(lastSix));
    expect(finding).toMatchObject({ rule: "use-rising", subject: "therapy", severity: "review", safety: false });
    expect(finding?.sinceDay).toBe("2026-03-09");
    expect(finding?.text).toMatch(
      /^Recorded use has risen: 9 March 2026, with 5 sessions, gave a signal \(a day beyond the limit\)\. The baseline was 2 sessions a day\. A hint for the worklist\./,
    );
  });

  test("the words stay while it goes on", () => {
    const at = (day: string) =>
      findingsOf(useRising, picture(lastSix, { today: day, nowMs: instant(`${day}T12:00`) }))[0]?.text;
    expect(at("2026-03-14")).toBe(at("2026-03-15"));
  });

  test("a signal stands for seven days after its last day and no longer", () => {
    expect(findingsOf(useRising, picture(["2026-03-08"]))).toHaveLength(1);
    expect(findingsOf(useRising, picture(["2026-03-07"]))).toEqual([]);
  });

  test("use as before is no rise, and the steps say what the baseline is", () => {
    const [examination] = useRising.examine(picture([]));
    expect(examination?.finding).toBeUndefined();
    expect(examination?.steps.map(({ name, holds, text }) => [name, holds, text])).toEqual([
      ["switched-on", true, "The change signal is switched on."],
      ["baseline", true, "The baseline since 1 January 2026: 2 sessions a day, standard deviation 0.33."],
      ["signal", false, "No day gave a signal."],
    ]);
  });
});

test("it is off unless somebody switches it on, and says so", () => {
  const [examination] = useRising.examine(picture(lastSix, { thresholds: defaultThresholds }));
  expect(examination?.steps).toMatchObject([{ name: "switched-on", holds: false }]);
  expect(examination?.finding).toBeUndefined();
});
