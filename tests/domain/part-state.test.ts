import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { addDays } from "../../src/domain/local-day.ts";
import type { FittedPart } from "../../src/domain/part.ts";
import { partStates } from "../../src/domain/part-state.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { examplePicture, exampleSession, instant } from "./example-picture.ts";

function on(today: string, ...parts: FittedPart[]) {
  return partStates(examplePicture({ today, nowMs: instant(`${today}T12:00`), parts }));
}

const circuit: FittedPart = { partId: "circuit-1", kind: "circuit", fittedDay: "2026-02-10" };

describe("a circuit fitted on 10 February, one calendar month and seven days of lead time", () => {
  test.each([
    ["2026-02-10", "in-use", 0],
    ["2026-03-02", "in-use", 0],
    ["2026-03-03", "due-soon", 0],
    ["2026-03-09", "due-soon", 0],
    ["2026-03-10", "due", 0],
    ["2026-03-11", "overdue", 1],
    ["2026-04-10", "overdue", 31],
  ])("on %s it is %s, overdue by %i days", (today, state, daysOverdue) => {
    expect(on(today, circuit)[0]).toMatchObject({
      state,
      daysOverdue,
      replaceByDay: "2026-03-10",
      dueSoonDay: "2026-03-03",
    });
  });
});

// Source: calendar months as java.time's LocalDate.plusMonths documents them (2007-03-31 plus one month is
// 2007-04-30); that example from memory.
test.each([
  ["2026-01-31", "2026-02-28"],
  ["2028-01-31", "2028-02-29"],
  ["2026-03-31", "2026-04-30"],
])("a circuit fitted on %s is to be replaced by %s, the last day of the next month", (fittedDay, replaceByDay) => {
  expect(on(fittedDay, { ...circuit, fittedDay })[0]?.replaceByDay).toBe(replaceByDay);
});

test("a lead time longer than the interval does not reach back before the fitting", () => {
  const thresholds = {
    ...defaultThresholds,
    partKinds: [{ code: "circuit", title: "Circuit", replaceAfter: { days: 5 }, leadDays: 7, source: "test" }],
  };
  const picture = examplePicture({ parts: [{ ...circuit, fittedDay: "2026-03-15" }], thresholds });
  expect(partStates(picture)[0]).toMatchObject({
    state: "due-soon",
    dueSoonDay: "2026-03-15",
    replaceByDay: "2026-03-20",
  });
});

describe("a part that has ended", () => {
  test("a new part of the kind replaces the one before it, from the day it is fitted", () => {
    const newer = { ...circuit, partId: "circuit-2", fittedDay: "2026-03-12" };
    expect(on("2026-03-11", newer, circuit).map((part) => part.state)).toEqual(["overdue", "in-use"]);
    expect(on("2026-03-12", newer, circuit)).toMatchObject([
      { state: "replaced", endDay: "2026-03-12", daysOverdue: 0 },
      { state: "in-use", replaceByDay: "2026-04-12" },
    ]);
    expect(on("2026-03-12", newer, circuit)[0]).not.toHaveProperty("replaceByDay");
  });

  test("a part of another kind replaces nothing", () => {
    const mask = { partId: "mask-1", kind: "mask", fittedDay: "2026-03-12" };
    expect(on("2026-03-12", circuit, mask)[0]?.state).toBe("overdue");
  });

  test("a part taken off is removed from that day on, and replaced once a newer one is fitted", () => {
    const taken = { ...circuit, removedDay: "2026-03-12" };
    expect(on("2026-03-11", taken)[0]?.state).toBe("overdue");
    expect(on("2026-03-12", taken)[0]?.state).toBe("removed");
    const newer = { ...circuit, partId: "circuit-2", fittedDay: "2026-03-14" };
    expect(on("2026-03-14", taken, newer)[0]).toMatchObject({ state: "replaced", endDay: "2026-03-12" });
  });

  test("each of two machines keeps its own circuit; a circuit on no stated machine may be on either", () => {
    const bedroom = { ...circuit, machineId: "machine-1" };
    const school = { ...circuit, partId: "circuit-2", fittedDay: "2026-03-01", machineId: "machine-2" };
    const { machineId: _, ...unstated } = { ...school, partId: "circuit-3", fittedDay: "2026-03-02" };
    expect(on("2026-03-05", bedroom, school)[0]?.state).toBe("due-soon");
    expect(on("2026-03-05", bedroom, school, unstated).map((part) => part.state)).toEqual([
      "replaced",
      "replaced",
      "in-use",
    ]);
  });
});

describe("reported soiled or damaged", () => {
  test("it is due that day and overdue the day after", () => {
    const soiled = { ...circuit, soiledDay: "2026-02-20" };
    expect(on("2026-02-19", soiled)[0]).toMatchObject({ state: "in-use", replaceByDay: "2026-03-10" });
    expect(on("2026-02-20", soiled)[0]).toMatchObject({
      state: "due",
      replaceByDay: "2026-02-20",
      limit: { reason: "soiled" },
    });
    expect(on("2026-02-21", soiled)[0]).toMatchObject({ state: "overdue", daysOverdue: 1 });
  });

  test("a report after the interval has run out does not make it due later", () => {
    expect(on("2026-03-20", { ...circuit, soiledDay: "2026-03-18" })[0]).toMatchObject({
      daysOverdue: 10,
      limit: { reason: "interval" },
    });
  });

  test("a report from before this part was fitted is about another", () => {
    const report = { ...circuit, fittedDay: "2026-03-14", soiledDay: "2026-03-13" };
    expect(on("2026-03-15", report)[0]).toMatchObject({ state: "in-use", replaceByDay: "2026-04-14" });
  });

  test("it is all that makes a part of an unknown kind due", () => {
    const unknown = { partId: "part-1", kind: "humidifier", fittedDay: "2025-01-01" };
    expect(on("2026-03-15", unknown)[0]).toMatchObject({ state: "in-use", daysOverdue: 0 });
    expect(on("2026-03-15", { ...unknown, soiledDay: "2026-03-15" })[0]?.state).toBe("due");
  });
});

describe("a use limit of three sessions", () => {
  const partKinds = [{ code: "circuit", title: "Circuit", replaceAfterSessions: 3, leadDays: 7, source: "test" }];
  const thresholds = { ...defaultThresholds, partKinds };
  const starts = ["2026-03-13T20:00", "2026-03-14T08:00", "2026-03-14T20:00", "2026-03-15T08:00"];
  const part = { ...circuit, fittedDay: "2026-03-14" };

  test("two sessions since it was fitted leave it in use, the third makes it due that day", () => {
    const sessions = starts.map((start) => exampleSession(start));
    const two = partStates(examplePicture({ thresholds, parts: [part], sessions: sessions.slice(0, 3) }))[0];
    expect(two).toMatchObject({ state: "in-use", use: { sessions: 2 } });
    const three = partStates(examplePicture({ thresholds, parts: [part], sessions }))[0];
    expect(three).toMatchObject({
      state: "due",
      use: { sessions: 3 },
      replaceByDay: "2026-03-15",
      limit: { reason: "use-limit" },
    });
  });

  test("tests and sessions on another machine do not wear it", () => {
    const sessions = [
      ...starts.slice(1, 3).map((start) => exampleSession(start)),
      exampleSession("2026-03-15T08:00", { test: true }),
      exampleSession("2026-03-15T09:00", { deviceId: "machine-2" }),
    ];
    const parts = [{ ...part, machineId: "machine-1" }];
    expect(partStates(examplePicture({ thresholds, parts, sessions }))[0]).toMatchObject({
      state: "in-use",
      use: { sessions: 2 },
    });
  });
});

describe("nothing is asked of a part", () => {
  const use = { useId: "use-1", deviceId: "machine-1", patientId: "patient-1", startMs: 0 };

  test("once the machine was returned, from that instant", () => {
    const nowMs = instant("2026-03-15T12:00");
    const kept = partStates(examplePicture({ parts: [circuit], machineUses: [{ ...use, endMs: nowMs + 1 }] }))[0];
    expect(kept?.state).toBe("overdue");
    const returned = partStates(examplePicture({ parts: [circuit], machineUses: [{ ...use, endMs: nowMs }] }))[0];
    expect(returned).toMatchObject({ state: "in-use", daysOverdue: 0 });
    expect(returned).not.toHaveProperty("replaceByDay");
  });

  test("before the machine is handed over", () => {
    const nowMs = instant("2026-03-15T12:00");
    const from = (startMs: number) =>
      partStates(examplePicture({ parts: [circuit], machineUses: [{ ...use, startMs }] }));
    expect(from(nowMs)[0]?.state).toBe("overdue");
    expect(from(nowMs + 1)[0]?.state).toBe("in-use");
  });

  test("of a part on a machine that went back, while another machine stays", () => {
    const machineUses = [use, { ...use, useId: "use-2", deviceId: "machine-2", endMs: 1 }];
    const parts = [{ ...circuit, machineId: "machine-2" }];
    expect(partStates(examplePicture({ parts, machineUses }))[0]?.state).toBe("in-use");
  });

  test("from the day of death on", () => {
    expect(partStates(examplePicture({ parts: [circuit], deceasedDay: "2026-03-16" }))[0]?.state).toBe("overdue");
    expect(partStates(examplePicture({ parts: [circuit], deceasedDay: "2026-03-15" }))[0]?.state).toBe("in-use");
  });
});

test("however many parts of a kind were fitted and in whatever order they are listed, at most one is in use", () => {
  const fitted = fc.uniqueArray(fc.integer({ min: -60, max: 0 }), { minLength: 1, maxLength: 8 });
  fc.assert(
    fc.property(fitted, (offsets) => {
      const parts = offsets.map((offset) => ({
        ...circuit,
        partId: `part${offset}`,
        fittedDay: addDays("2026-03-15", offset),
      }));
      const states = on("2026-03-15", ...parts);
      expect(states.filter(({ state }) => state !== "replaced")).toHaveLength(1);
      expect(on("2026-03-15", ...parts.toReversed())).toEqual(states);
    }),
  );
});
