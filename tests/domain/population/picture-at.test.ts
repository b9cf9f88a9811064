import { expect, test } from "vitest";
import { pictureAt } from "../../../src/domain/population/picture-at.ts";
import { exampleSession } from "../example-picture.ts";
import { instant, picture, use } from "../june-picture.ts";

const endOfMay = instant("2026-06-01T00:00") - 1;

test("at its own moment a picture is itself", () => {
  const now = picture({ sessions: [exampleSession("2026-06-10T08:00")], deceasedDay: "2026-06-20" });
  expect(pictureAt(now, now.nowMs)).toEqual(now);
});

test("what began later is left out, and what ended later had not ended yet", () => {
  const now = picture({
    deceasedDay: "2026-06-20",
    lastSessionStartMs: instant("2026-06-10T08:00"),
    sessions: [exampleSession("2026-05-31T22:00"), exampleSession("2026-06-01T00:00")],
    machineUses: [
      { ...use("device-1", "2026-01-05T10:00", "2026-06-10T10:00"), lastSessionStartMs: instant("2026-06-10T08:00") },
      { ...use("device-2", "2026-01-05T10:00", "2026-05-10T10:00"), lastSessionStartMs: instant("2026-05-09T08:00") },
      use("device-3", "2026-06-02T10:00"),
    ],
    parts: [
      { partId: "c-1", kind: "circuit", fittedDay: "2026-05-31" },
      { partId: "c-2", kind: "circuit", fittedDay: "2026-06-01" },
    ],
  });
  const then = pictureAt(now, endOfMay);
  expect([then.today, then.nowMs, then.deceasedDay, then.lastSessionStartMs]).toEqual([
    "2026-05-31",
    endOfMay,
    undefined,
    undefined,
  ]);
  expect(then.sessions.map(({ localDay }) => localDay)).toEqual(["2026-05-31"]);
  expect(then.machineUses).toEqual([
    use("device-1", "2026-01-05T10:00"),
    { ...use("device-2", "2026-01-05T10:00", "2026-05-10T10:00"), lastSessionStartMs: instant("2026-05-09T08:00") },
  ]);
  expect(then.parts.map(({ partId }) => partId)).toEqual(["c-1"]);
});

test("a death of that day or before has happened", () => {
  expect(pictureAt(picture({ deceasedDay: "2026-05-31" }), endOfMay).deceasedDay).toBe("2026-05-31");
});
