import { describe, expect, test } from "vitest";
import { measuresOf } from "../../../src/domain/measures.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import type { Period } from "../../../src/domain/population/figures.ts";
import { periodOf } from "../../../src/domain/population/period.ts";
import { type PersonFacts, personPeriod } from "../../../src/domain/population/person-period.ts";
import { everySession } from "../example-picture.ts";
import { instant, picture, plan, read, twiceDaily, use } from "../june-picture.ts";

const may = periodOf("2026-05") as Period;
const june = periodOf("2026-06") as Period;

const machine = (start: string, end?: string) => ({ ...use("machine-1", start, end) });

/** Somebody with a machine since January that was read up to 21 June, who used it every morning and evening of May. */
function person(over: Partial<Picture> = {}, facts: Partial<Omit<PersonFacts, "picture">> = {}): PersonFacts {
  const own = {
    machineUses: [machine("2026-01-05T10:00")],
    coverage: [read("machine-1", "2026-01-05T10:00", "2026-06-21T04:00")],
    sessions: everySession("2026-05-01", "2026-06-01"),
  };
  return { picture: picture({ ...own, ...over }), interfaces: {}, firstUses: [], firstActions: [], ...facts };
}

const countedOf = (over: Partial<Picture>, period = may) => personPeriod(person(over), period).counted;

test("the measures are those of the person's own reports, and each puts the person into one band", () => {
  const one = person();
  const { measures, counted, values } = personPeriod(one, may);
  expect(measures).toEqual(measuresOf(one.picture, may.firstDay, may.endDay));
  expect(counted.filter((code) => code.startsWith("days-used."))).toEqual(["days-used.high"]);
  expect(counted.filter((code) => code.startsWith("dose."))).toEqual(["dose.not-known"]);
  expect(values).toEqual({ "days-used.median": 1000 });
});

test("of days that nobody has read the measure is not known, and it has no value for the median", () => {
  const { counted, values } = personPeriod(person({ coverage: [], sessions: [] }), may);
  expect(counted).toContain("days-used.not-known");
  expect(values).toEqual({});
});

describe("on therapy, started, stopped", () => {
  test("a plan in force on one day of the period is enough", () => {
    const until = (endDay: string) => countedOf({ plans: [plan(twiceDaily, { status: "completed", endDay })] });
    expect(until("2026-05-02")).toContain("people-on-therapy");
    expect(until("2026-05-02")).toContain("stops");
    expect(until("2026-05-01")).not.toContain("people-on-therapy");
    // The first day without a plan is the first of May: it stopped then, having been on therapy in April only.
    expect(until("2026-05-01")).toContain("stops");
    expect(until("2026-06-01")).not.toContain("stops");
  });

  test("what a plan foresees for days to come has not happened", () => {
    const plans = [plan(twiceDaily, { status: "active", firstDay: "2026-06-28", endDay: "2026-06-29" })];
    expect(countedOf({ plans }, june)).toEqual(["devices-in-use"]);
    expect(countedOf({ plans: [plan(twiceDaily, { firstDay: "2026-06-25" })] }, june)).toContain("new-starts");
  });

  test("who has died is on therapy no more, has no device in use, and no finding stands", () => {
    const counted = countedOf({ deceasedDay: "2026-05-11" });
    expect(counted).toContain("stops");
    expect(counted).toContain("people-on-therapy");
    expect(counted).not.toContain("devices-in-use");
    expect(countedOf({ deceasedDay: "2026-04-30" })).toEqual([]);
  });
});

describe("states as the period ended", () => {
  test("a machine that was given back during the period is none in use, one given back later is", () => {
    const until = (end: string) => countedOf({ machineUses: [machine("2026-01-05T10:00", end)] });
    expect(until("2026-05-20T10:00")).not.toContain("devices-in-use");
    expect(until("2026-06-02T10:00")).toContain("devices-in-use");
  });

  test("a machine unused for sixty days by then is idle then, whatever happened later", () => {
    expect(countedOf({ sessions: everySession("2026-02-01", "2026-03-01") })).toContain("devices-idle");
    const again = [...everySession("2026-02-01", "2026-03-01"), ...everySession("2026-06-01", "2026-06-05")];
    expect(countedOf({ sessions: again })).toContain("devices-idle");
    expect(countedOf({ sessions: again }, june)).not.toContain("devices-idle");
  });

  test("a part past its day by the end is overdue, one that was replaced by then is not", () => {
    const circuit = (fittedDay: string) => ({
      partId: `c-${fittedDay}`,
      kind: "circuit",
      machineId: "machine-1",
      fittedDay,
    });
    expect(countedOf({ parts: [circuit("2026-04-20")] })).toContain("parts-overdue");
    expect(countedOf({ parts: [circuit("2026-04-20"), circuit("2026-05-25")] })).not.toContain("parts-overdue");
    expect(countedOf({ parts: [circuit("2026-04-20"), circuit("2026-06-02")] })).toContain("parts-overdue");
  });

  test("use while contraindicated is an open finding of safety; a decision of the plan to go on is none", () => {
    const flag = {
      flagId: "f-1",
      code: "haemoptysis",
      title: "Haemoptysis",
      class: "absolute" as const,
      active: true,
      startMs: instant("2026-05-25T10:00"),
    };
    expect(countedOf({ contraindications: [flag] })).toContain("open-safety-findings");
    const overrides = [{ flagId: "f-1", reason: "Discussed, benefits outweigh" }];
    const plans = [plan(twiceDaily, { overrides })];
    expect(countedOf({ contraindications: [flag], plans })).not.toContain("open-safety-findings");
    expect(countedOf({ contraindications: [{ ...flag, startMs: instant("2026-06-02T10:00") }] })).not.toContain(
      "open-safety-findings",
    );
  });
});

test("of several first uses and actions of the period the longest wait counts, and none of another period", () => {
  const { values } = personPeriod(
    person(
      { sessions: [], coverage: [] },
      {
        firstUses: [
          { issuedMs: instant("2026-04-20T10:00"), usedDay: "2026-05-02" },
          { issuedMs: instant("2026-05-10T00:30"), usedDay: "2026-05-09" },
          { issuedMs: instant("2026-01-01T10:00"), usedDay: "2026-04-30" },
        ],
        firstActions: [
          { raisedMs: instant("2026-05-30T23:30"), actedMs: instant("2026-05-31T00:30") },
          { raisedMs: instant("2026-05-01T09:00"), actedMs: instant("2026-06-01T00:00") },
        ],
      },
    ),
    may,
  );
  expect(values).toEqual({ "issue-to-first-use.median": 12, "finding-to-action.median": 1 });
});
