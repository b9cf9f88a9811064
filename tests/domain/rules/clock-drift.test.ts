import { expect, test } from "vitest";
import type { ClockCheck } from "../../../src/domain/device.ts";
import { clockDrift } from "../../../src/domain/rules/clock-drift.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { examplePicture, instant } from "../example-picture.ts";

function checkOf(driftMs: number, over: Partial<ClockCheck> = {}): ClockCheck {
  return { uploadId: "upload-1", deviceId: "machine-1", readMs: instant("2026-03-15T06:00"), driftMs, ...over };
}

function found(...clockChecks: ClockCheck[]) {
  return findingsOf(clockDrift, examplePicture({ clockChecks }));
}

// The threshold of 300 s is a choice of this service, no published source.
test.each([
  [300_000, 0],
  [300_001, 1],
  [-300_000, 0],
  [-300_001, 1],
  [0, 0],
])("a clock %d ms ahead gives %d findings: exactly five minutes is fine, either way", (driftMs, count) => {
  expect(found(checkOf(driftMs))).toHaveLength(count);
});

test("the words say ahead or behind in minutes, and that times were corrected", () => {
  const [ahead] = found(checkOf(600_000));
  expect(ahead?.text).toBe(
    "The device's clock was 10 minutes ahead when its memory was read on 15 March 2026. Times read then were corrected by that difference; times read without a note of the device's clock stand as the device wrote them.",
  );
  expect(ahead).toMatchObject({
    subject: "Device/machine-1",
    severity: "review",
    sinceDay: "2026-03-15",
    evidence: [{ value: 600, unit: "s", reference: "DocumentReference/upload-1" }],
  });
  expect(found(checkOf(-396_000))[0]?.text).toContain("6.6 minutes behind");
});

test("a difference just over the threshold never reads as equal to it", () => {
  expect(found(checkOf(300_001))[0]?.text).toContain("5.01 minutes ahead");
});

test("the latest reading counts, whatever the order and whatever an earlier one said", () => {
  const wrong = checkOf(600_000, { uploadId: "before", readMs: instant("2026-03-10T06:00") });
  expect(found(checkOf(0), wrong)).toEqual([]);
  expect(found(wrong, checkOf(0))).toEqual([]);
  expect(found(checkOf(600_000), { ...wrong, driftMs: 0 })).toHaveLength(1);
});

test("a reading from before the patient had the machine, or of another machine, says nothing", () => {
  const before = checkOf(600_000, { readMs: instant("2026-01-01T00:00") - 1 });
  const [examined] = clockDrift.examine(
    examplePicture({ clockChecks: [before, checkOf(600_000, { deviceId: "machine-2" })] }),
  );
  expect(examined).toEqual({
    subject: "Device/machine-1",
    steps: [
      {
        name: "clock-noted",
        text: "Nobody noted what the device's clock showed when its memory was read.",
        holds: false,
      },
    ],
  });
});

test("a machine that went back has no wrong clock any more", () => {
  const machineUses = examplePicture().machineUses.map((use) => ({ ...use, endMs: instant("2026-03-15T08:00") }));
  expect(findingsOf(clockDrift, examplePicture({ machineUses, clockChecks: [checkOf(600_000)] }))).toEqual([]);
});
