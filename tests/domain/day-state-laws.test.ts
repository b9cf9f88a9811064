import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { dayStates } from "../../src/domain/day-state.ts";
import { picture, session } from "./june-picture.ts";

describe("laws of day states", () => {
  const hours = fc.uniqueArray(fc.integer({ min: 0, max: 23 }), { maxLength: 4 });
  const someSessions = fc.array(fc.tuple(fc.integer({ min: 1, max: 28 }), hours), { maxLength: 12 }).map((days) =>
    days.flatMap(([dayOfMonth, list]) =>
      list.map((hour) => {
        const day = `2026-06-${String(dayOfMonth).padStart(2, "0")}`;
        const part = hour >= 4 && hour < 12 ? "morning" : hour >= 16 ? "evening" : undefined;
        return session(day, part, { sessionId: `${day}-${hour}` });
      }),
    ),
  );

  test("slots are done, missed or unknown, and on a day not read in full none is missed", () => {
    fc.assert(
      fc.property(someSessions, (sessions) => {
        for (const day of dayStates(picture({ sessions }), "2026-06-01", "2026-06-29")) {
          expect(day.done + day.missed + day.unknown).toBe(day.asked);
          if (day.state === "unknown" || day.day > "2026-06-20") expect(day.missed).toBe(0);
        }
      }),
    );
  });

  test("a day's state does not depend on the window it is asked in", () => {
    fc.assert(
      fc.property(someSessions, fc.integer({ min: 2, max: 28 }), (sessions, cut) => {
        const split = `2026-06-${String(cut).padStart(2, "0")}`;
        const whole = dayStates(picture({ sessions }), "2026-06-01", "2026-06-29");
        const parts = [
          ...dayStates(picture({ sessions }), "2026-06-01", split),
          ...dayStates(picture({ sessions }), split, "2026-06-29"),
        ];
        expect(parts).toEqual(whole);
      }),
    );
  });

  test("an empty window has no days", () => {
    expect(dayStates(picture(), "2026-06-10", "2026-06-10")).toEqual([]);
  });
});
