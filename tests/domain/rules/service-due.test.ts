import { expect, test } from "vitest";
import { addDays } from "../../../src/domain/local-day.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { serviceDue } from "../../../src/domain/rules/service-due.ts";
import { defaultThresholds } from "../../../src/domain/thresholds.ts";
import { examplePicture, instant } from "../example-picture.ts";

// Today is 15 March 2026; the lead time is 30 days: choice of this service, no published source.
function pictureWith(serviceDueDay: string | undefined, over = {}) {
  const use = {
    useId: "use-1",
    deviceId: "machine-1",
    patientId: "patient-1",
    startMs: instant("2026-01-01T00:00"),
    ...(serviceDueDay === undefined ? {} : { serviceDueDay }),
  };
  return examplePicture({ machineUses: [use], ...over });
}

test.each([
  ["2026-04-15", 0],
  ["2026-04-14", 1],
  ["2026-03-15", 1],
  ["2026-03-14", 1],
])("with service due by %s, 31 to -1 days from today, there are %d findings", (day, count) => {
  expect(findingsOf(serviceDue, pictureWith(day))).toHaveLength(count);
});

test("the due day itself is in time, and the words change on the day after", () => {
  expect(findingsOf(serviceDue, pictureWith("2026-03-15"))).toMatchObject([
    { text: "Service of the device is due by 15 March 2026.", severity: "review", sinceDay: "2026-02-13" },
  ]);
  expect(findingsOf(serviceDue, pictureWith("2026-03-14"))).toMatchObject([
    {
      text: "Service of the device was due by 14 March 2026, and no later service day is recorded.",
      severity: "review",
      sinceDay: "2026-03-15",
      subject: "Device/machine-1",
      focus: "Device/machine-1",
    },
  ]);
});

test("a machine that was handed over when its service was due already is due since the handover", () => {
  expect(findingsOf(serviceDue, pictureWith("2025-12-01"))).toMatchObject([{ sinceDay: "2026-01-01" }]);
});

test("the same service day reads the same from day to day", () => {
  const texts = [0, 1, 2, 3].map((later) => {
    const today = addDays("2026-03-15", later);
    return findingsOf(serviceDue, pictureWith("2026-03-14", { today, nowMs: instant(`${today}T12:00`) }));
  });
  expect(new Set(texts.map((one) => JSON.stringify(one))).size).toBe(1);
});

test("a machine without a service day has one step, which says so", () => {
  expect(serviceDue.examine(pictureWith(undefined))).toEqual([
    {
      subject: "Device/machine-1",
      steps: [
        { name: "service-day", text: "No service day is recorded.", holds: false, reference: "Device/machine-1" },
      ],
    },
  ]);
});

test("the lead time can be set, and the step names it with its source", () => {
  const thresholds = { ...defaultThresholds, serviceLeadDays: 31 };
  const [examined] = serviceDue.examine(pictureWith("2026-04-15", { thresholds }));
  expect(examined?.finding).toBeDefined();
  expect(examined?.steps.at(-1)).toMatchObject({ value: 31, threshold: 31, unit: "d" });
  expect(examined?.steps.at(-1)?.source).toContain("no published source");
});
