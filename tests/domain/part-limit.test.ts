import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { addDays } from "../../src/domain/local-day.ts";
import type { PartKind } from "../../src/domain/part.ts";
import { replacementLimits, useOfPart } from "../../src/domain/part-limit.ts";
import { partStates } from "../../src/domain/part-state.ts";
import type { Picture } from "../../src/domain/picture.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { everySession, examplePicture, exampleSession } from "./example-picture.ts";

// The picture is of 15 March 2026. Intervals are common practice, no published source; halves are this service's choice.
const circuit: PartKind = {
  code: "circuit",
  title: "Patient circuit",
  replaceAfter: { months: 1 },
  infectionShare: 0.5,
  replaceAfterInfection: true,
  tracheostomyShare: 0.5,
  leadDays: 7,
  source: "common practice, no published source",
};
const fitted = (fittedDay: string, over: object = {}) => ({ partId: "part-1", kind: "circuit", fittedDay, ...over });
const infection = (firstDay: string, endDay?: string) => ({
  conditionId: "c",
  firstDay,
  ...(endDay !== undefined && { endDay }),
});

function limits(fittedDay: string, over: Partial<Picture> = {}, kind: PartKind = circuit, part: object = {}) {
  return replacementLimits(examplePicture(over), fitted(fittedDay, part), kind).map(({ reason, day }) => [reason, day]);
}

describe("an interval", () => {
  test.each([
    ["2026-01-31", "2026-02-28"],
    ["2024-01-31", "2024-02-29"],
    ["2026-02-28", "2026-03-28"],
    ["2026-12-31", "2027-01-31"],
  ])("of one calendar month from %s ends on %s", (from, to) => {
    expect(limits(from)).toEqual([["interval", to]]);
    expect(Temporal.PlainDate.from(from).add({ months: 1 }).toString()).toBe(to);
  });

  test("with a tracheostomy is half of its days, rounded down", () => {
    // 1 March to 1 April are 31 days.
    expect(limits("2026-03-01", { tracheostomy: true })).toEqual([
      ["interval", "2026-04-01"],
      ["tracheostomy", "2026-03-16"],
    ]);
  });

  test("during a chest infection is half of its days, and a quarter with both", () => {
    const infections = [infection("2026-03-02")];
    expect(limits("2026-03-01", { infections })).toContainEqual(["infection", "2026-03-16"]);
    expect(limits("2026-03-01", { infections, tracheostomy: true })).toContainEqual(["infection", "2026-03-08"]);
  });

  test("is not shortened to a day before the infection began", () => {
    expect(limits("2026-02-20", { infections: [infection("2026-03-14")] })).toContainEqual(["infection", "2026-03-14"]);
  });

  test("is whole again when the infection is over, though the part is then to be replaced", () => {
    expect(limits("2026-03-01", { infections: [infection("2026-03-02", "2026-03-10")] })).toEqual([
      ["interval", "2026-04-01"],
      ["infection-course", "2026-03-10"],
    ]);
  });

  test("of a kind that infections and tracheostomies do not concern stays", () => {
    const { infectionShare: _, tracheostomyShare: __, replaceAfterInfection: ___, ...mask } = circuit;
    const over = { infections: [infection("2026-03-02")], tracheostomy: true };
    expect(limits("2026-03-01", over, mask)).toEqual([["interval", "2026-04-01"]]);
  });

  test("has lead time of at most its own length", () => {
    const weekly = { ...circuit, replaceAfter: { days: 5 } };
    expect(replacementLimits(examplePicture(), fitted("2026-03-14"), weekly)[0]).toMatchObject({
      day: "2026-03-19",
      fromDay: "2026-03-14",
    });
  });
});

describe("when an infection is over", () => {
  const course = (fittedDay: string, endDay: string) =>
    limits(fittedDay, { infections: [infection("2026-03-01", endDay)] }).some(
      ([reason]) => reason === "infection-course",
    );

  test("a part that was fitted before is to be replaced, one fitted on the day it was over is a new one", () => {
    expect(course("2026-03-09", "2026-03-10")).toBe(true);
    expect(course("2026-03-10", "2026-03-10")).toBe(false);
  });

  test("that lies ahead, nothing is asked yet", () => {
    expect(course("2026-03-09", "2026-03-16")).toBe(false);
    expect(course("2026-03-09", "2026-03-15")).toBe(true);
  });
});

describe("a use limit", () => {
  const { replaceAfter: _, ...bare } = circuit;
  const hourly = { ...bare, replaceAfterHours: 1 };
  const sessions = everySession("2026-03-10", "2026-03-15");

  test("in hours is reached on the day whose sessions fill it", () => {
    // Ten minutes a session, two a day: the sixth is on the evening of 12 March.
    expect(limits("2026-03-10", { sessions }, hourly)).toEqual([["use-limit", "2026-03-12"]]);
    expect(limits("2026-03-10", { sessions: sessions.slice(0, 5) }, hourly)).toEqual([]);
  });

  test("counts what was used before the picture begins", () => {
    const earlier = { earlierUse: { sessions: 50, hours: 0.5 } };
    expect(limits("2026-01-10", { sessions }, hourly, earlier)).toEqual([["use-limit", "2026-03-11"]]);
    expect(useOfPart(examplePicture({ sessions }), fitted("2026-01-10", earlier))).toMatchObject({ sessions: 60 });
  });

  test("reached before the picture begins stands since that day, whatever the picture shows", () => {
    const spent = { earlierUse: { sessions: 500, hours: 90, reachedDay: "2025-11-02" } };
    expect(limits("2025-06-01", { sessions }, hourly, spent)).toEqual([["use-limit", "2025-11-02"]]);
    expect(limits("2025-06-01", {}, hourly, spent)).toEqual([["use-limit", "2025-11-02"]]);
  });

  test("in sessions and hours is whichever comes first", () => {
    const both = { ...hourly, replaceAfterSessions: 3 };
    expect(limits("2026-03-10", { sessions }, both)).toEqual([["use-limit", "2026-03-11"]]);
  });
});

const day = fc.integer({ min: 0, max: 80 }).map((count) => addDays("2026-01-01", count));
const part = fc.record({ fittedDay: day, soiled: fc.option(day), sessions: fc.integer({ min: 1, max: 40 }) });

test("the shortest limit wins", () => {
  fc.assert(
    fc.property(part, fc.option(day), fc.boolean(), ({ fittedDay, soiled, sessions }, infectedDay, tracheostomy) => {
      const kind = { ...circuit, replaceAfterSessions: sessions };
      const picture = examplePicture({
        tracheostomy,
        infections: infectedDay === null ? [] : [infection(infectedDay)],
        sessions: everySession("2026-02-15", "2026-03-15"),
        parts: [fitted(fittedDay, soiled === null ? {} : { soiledDay: soiled })],
        thresholds: { ...defaultThresholds, partKinds: [kind] },
      });
      const [state] = partStates(picture);
      const days = replacementLimits(picture, picture.parts[0] as Picture["parts"][number], kind).map((one) => one.day);
      expect(state?.replaceByDay).toBe([...days].sort()[0]);
    }),
  );
});

test("another session never makes a part with a use limit less due", () => {
  fc.assert(
    fc.property(
      fc.uniqueArray(fc.integer({ min: 0, max: 300 }), { maxLength: 30 }),
      fc.integer({ min: 301, max: 310 }),
      (hours, more) => {
        const kind = { ...circuit, replaceAfterSessions: 10 };
        const on = (list: readonly number[]) =>
          list.map((hour) =>
            exampleSession(`${addDays("2026-03-01", Math.floor(hour / 24))}T${String(hour % 24).padStart(2, "0")}:00`),
          );
        const due = (list: readonly number[]) =>
          partStates(
            examplePicture({
              sessions: on(list),
              parts: [fitted("2026-03-01")],
              thresholds: { ...defaultThresholds, partKinds: [kind] },
            }),
          )[0]?.replaceByDay ?? "9999-12-31";
        expect(due([...hours, more]) <= due(hours)).toBe(true);
      },
    ),
  );
});

test("a newer part always ends the older one, whatever its age", () => {
  fc.assert(
    fc.property(day, day, (a, b) => {
      fc.pre(a !== b);
      const parts = [
        { partId: "a", kind: "circuit", fittedDay: a },
        { partId: "b", kind: "circuit", fittedDay: b },
      ];
      const states = partStates(examplePicture({ parts, today: "2026-03-31" }));
      expect(states.map((one) => one.state === "replaced")).toEqual([true, false]);
      expect(states[0]?.endDay).toBe([a, b].sort()[1]);
    }),
  );
});
