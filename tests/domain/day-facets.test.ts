import { describe, expect, test } from "vitest";
import { dayFacets } from "../../src/domain/day-facets.ts";
import { dayStates } from "../../src/domain/day-state.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { SettingsProfile } from "../../src/domain/prescription.ts";
import { examplePicture, examplePlan, exampleSession } from "./example-picture.ts";

const [usual] = examplePlan().profiles as [SettingsProfile];
const prescribed = { setInsufflationPressureCmH2O: 40, setExsufflationPressureCmH2O: -40 };
const dosed = [examplePlan({ profiles: [{ ...usual, cyclesPerSet: 5, setsPerSession: 4 }] })];

/** The facets of 14 March, which was read in full, or of another day. */
function facets(over: Partial<Picture>, day = "2026-03-14") {
  const picture = examplePicture({ plans: dosed, ...over });
  const next = Temporal.PlainDate.from(day).add({ days: 1 }).toString();
  return dayFacets(picture, dayStates(picture, day, next))[0];
}

const morning = (over: object = {}) => exampleSession("2026-03-14T08:00", { ...prescribed, ...over });
const evening = (over: object = {}) => exampleSession("2026-03-14T20:00", { ...prescribed, ...over });

describe("dose", () => {
  test("is cycles delivered out of sets times cycles for each asked session", () => {
    expect(facets({ sessions: [morning(), evening({ cyclesDelivered: 10 })] })).toMatchObject({
      cyclesAsked: 40,
      cyclesDone: 30,
      cyclesKnown: 40,
    });
  });

  test("is capped for the day, so more does not make up for another day", () => {
    expect(facets({ sessions: [morning({ cyclesDelivered: 70 })] })).toMatchObject({ cyclesDone: 40, cyclesKnown: 40 });
  });

  test("a session that states no cycles leaves the rest of the day unknown", () => {
    const { cyclesDelivered: _, ...silent } = evening();
    expect(facets({ sessions: [morning(), silent] })).toMatchObject({
      cyclesDone: 20,
      cyclesKnown: 20,
      cyclesAsked: 40,
    });
  });

  test("a day not read in full leaves the rest unknown", () => {
    const today = [exampleSession("2026-03-15T08:00", prescribed)];
    expect(facets({ sessions: today }, "2026-03-15")).toMatchObject({
      cyclesDone: 20,
      cyclesKnown: 20,
      cyclesAsked: 40,
    });
  });

  test("is nothing where the plan states no sets", () => {
    expect(facets({ sessions: [morning()], plans: [examplePlan()] })).toMatchObject({ cyclesAsked: 0, cyclesKnown: 0 });
  });
});

describe("all facets of a day", () => {
  test("are met when both sessions were done as prescribed and no sitting was too long", () => {
    expect(facets({ sessions: [morning(), evening()] })?.facets).toBe("met");
  });

  test.each([
    ["a missed evening", [morning()]],
    ["a session on other settings", [morning(), evening({ setInsufflationPressureCmH2O: 45 })]],
    ["a sitting over the cap", [morning(), evening({ endMs: evening().startMs + 31 * 60_000 })]],
  ])("%s speaks against it", (_what, sessions) => {
    expect(facets({ sessions })?.facets).toBe("not-met");
  });

  test("a sitting of exactly the cap does not", () => {
    expect(facets({ sessions: [morning(), evening({ endMs: evening().startMs + 30 * 60_000 })] })?.facets).toBe("met");
  });

  test("settings that nobody recorded leave it unknown, unless something else speaks against it", () => {
    const unrecorded = exampleSession("2026-03-14T20:00");
    expect(facets({ sessions: [morning(), unrecorded] })?.facets).toBe("unknown");
    expect(facets({ sessions: [unrecorded] })?.facets).toBe("not-met");
  });

  test("an evening that nobody has read yet leaves it unknown", () => {
    const today = [exampleSession("2026-03-15T08:00", prescribed)];
    expect(facets({ sessions: today }, "2026-03-15")?.facets).toBe("unknown");
  });

  test("are not asked about on a day that asks for nothing or is excluded", () => {
    const whenNeeded = [examplePlan({ profiles: [{ ...usual, schedule: { kind: "when-needed" } }] })];
    expect(facets({ plans: whenNeeded, sessions: [morning()] })).not.toHaveProperty("facets");
    const absences = [{ sourceId: "e", kind: "hospital" as const, firstDay: "2026-03-14" }];
    expect(facets({ absences, sessions: [morning()] })).toEqual({
      day: "2026-03-14",
      cyclesAsked: 0,
      cyclesDone: 0,
      cyclesKnown: 0,
      sessions: 0,
      compared: 0,
      concordant: 0,
      longSittings: 0,
    });
  });
});
