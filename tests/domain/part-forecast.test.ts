import { describe, expect, test } from "vitest";
import type { PartKind } from "../../src/domain/part.ts";
import { partNeeds } from "../../src/domain/part-forecast.ts";
import type { Picture } from "../../src/domain/picture.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { everySession, examplePicture, instant } from "./example-picture.ts";

// The picture is of 15 March 2026.
const circuit = (fittedDay: string, partId = "circuit-1") => ({ partId, kind: "circuit", fittedDay });
const needs = (over: Partial<Picture>, days = 90) =>
  partNeeds(examplePicture(over), days).map(({ kind, day, overdue }) => [kind, day, ...(overdue ? ["overdue"] : [])]);

describe("a part with an interval", () => {
  test("is needed on its day, and again after each interval within the horizon", () => {
    expect(needs({ parts: [circuit("2026-03-01")] })).toEqual([
      ["circuit", "2026-04-01"],
      ["circuit", "2026-05-01"],
      ["circuit", "2026-06-01"],
    ]);
  });

  test("on the last day inside the horizon counts, on the day after it does not", () => {
    const parts = [{ partId: "m", kind: "mask", fittedDay: "2025-04-13" }];
    expect(needs({ parts }, 30)).toEqual([["mask", "2026-04-13"]]);
    expect(needs({ parts }, 29)).toEqual([]);
  });

  test("that is overdue is needed today, once, and its interval begins anew", () => {
    expect(needs({ parts: [circuit("2026-01-01")] }, 40)).toEqual([
      ["circuit", "2026-03-15", "overdue"],
      ["circuit", "2026-04-15"],
    ]);
  });

  test("shortened by an infection is needed sooner once, then after its plain interval", () => {
    const infections = [{ conditionId: "c", firstDay: "2026-03-10" }];
    expect(needs({ parts: [circuit("2026-03-10")], infections }, 60)).toEqual([
      ["circuit", "2026-03-25"],
      ["circuit", "2026-04-25"],
    ]);
  });
});

describe("a part with a use limit", () => {
  const kind: PartKind = {
    code: "circuit",
    title: "Circuit",
    replaceAfterSessions: 60,
    leadDays: 7,
    source: "local policy",
  };
  const thresholds = { ...defaultThresholds, partKinds: [kind] };

  test("is foreseen by the mean use of the last 28 known days", () => {
    // Two a day: 28 used by now, 32 left for 16 days; then 60 for 30 days.
    const sessions = everySession("2026-02-10", "2026-03-15");
    expect(needs({ parts: [circuit("2026-03-01")], sessions, thresholds })).toEqual([
      ["circuit", "2026-03-31"],
      ["circuit", "2026-04-30"],
      ["circuit", "2026-05-30"],
    ]);
  });

  test("that nobody uses, or of whose use nothing is known, is not foreseen", () => {
    expect(needs({ parts: [circuit("2026-03-01")], thresholds })).toEqual([]);
    expect(needs({ parts: [circuit("2026-03-01")], thresholds, coverage: [] })).toEqual([]);
  });
});

describe("nothing is needed", () => {
  test("for a part that was replaced or removed", () => {
    const parts = [circuit("2026-01-01"), circuit("2026-03-10", "circuit-2")];
    expect(needs({ parts }, 30)).toEqual([["circuit", "2026-04-10"]]);
    expect(needs({ parts: [{ ...circuit("2026-01-01"), removedDay: "2026-03-01" }] })).toEqual([]);
  });

  test("when the machine was returned, or the patient has died", () => {
    const machineUses = [
      { useId: "u", deviceId: "machine-1", patientId: "patient-1", startMs: 0, endMs: instant("2026-03-14T12:00") },
    ];
    expect(needs({ parts: [circuit("2026-01-01")], machineUses })).toEqual([]);
    expect(needs({ parts: [circuit("2026-01-01")], deceasedDay: "2026-03-10" })).toEqual([]);
  });

  test("for a kind that nobody configured", () => {
    expect(needs({ parts: [{ partId: "x", kind: "humidifier", fittedDay: "2020-01-01" }] })).toEqual([]);
  });
});

test("no horizon reaches further than 90 days", () => {
  expect(needs({ parts: [circuit("2026-03-01")] }, 400)).toEqual(needs({ parts: [circuit("2026-03-01")] }, 90));
});
