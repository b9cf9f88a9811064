import { describe, expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { lowSaturation } from "../../../src/domain/rules/low-saturation.ts";
import { examplePicture, exampleSession } from "../example-picture.ts";

const at = (start: string, lowestSpo2Percent: number) => exampleSession(start, { lowestSpo2Percent });
const found = (...sessions: ReturnType<typeof at>[]) => findingsOf(lowSaturation, examplePicture({ sessions }));

describe("the lowest saturation recorded with a session", () => {
  // 95 %: Bach et al. 2015, Respir Care 60:477. 90 %: choice of this service.
  test.each([
    [89, "review"],
    [90, "information"],
    [94, "information"],
    [95, undefined],
  ])("of %i %% is %s", (percent, severity) => {
    expect(found(at("2026-03-14T08:00", percent))[0]?.severity).toBe(severity);
  });

  test("is told with the sessions under the threshold that counts, and as no measurement for diagnosis", () => {
    const [finding] = found(at("2026-03-10T08:00", 93), at("2026-03-12T08:00", 86), at("2026-03-13T08:00", 88));
    expect(finding).toMatchObject({ sinceDay: "2026-03-12", severity: "review" });
    expect(finding?.evidence.map((one) => one.value)).toEqual([86, 88]);
    expect(finding?.text).toMatch(/^Recorded with 2 sessions since 12 March 2026: .* no measurement for diagnosis\.$/);
  });

  test("counts for fourteen days back, not for the fifteenth", () => {
    expect(found(at("2026-03-01T08:00", 80))).toHaveLength(1);
    expect(found(at("2026-02-28T20:00", 80))).toEqual([]);
  });

  test("of a session marked as a test does not count", () => {
    expect(found(exampleSession("2026-03-14T08:00", { lowestSpo2Percent: 80, test: true }))).toEqual([]);
  });
});

test("where no session states one, the step says so", () => {
  const [examination] = lowSaturation.examine(examplePicture({ sessions: [exampleSession("2026-03-14T08:00")] }));
  expect(examination?.steps).toMatchObject([{ name: "sessions-with-saturation", holds: false, value: 0 }]);
});
