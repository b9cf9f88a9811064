import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { inTenant } from "../../src/store/database.ts";
import { type PartAsked, readEarlierUse, readManyEarlierUses } from "../../src/store/part-use.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestService, testService } from "../support/service.ts";

// Anna used her machine at 08:00 and 19:00, ten minutes each, on the 28 days from 13 May to 9 June 2026.
let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  await personWithCircuit(here, "anna", "2026-01-01");
  await usedEveryDay(here, "anna");
});

afterAll(() => here.close());

function used(until: string, ...parts: PartAsked[]) {
  return inTenant(here.database, here.tenantId, (session) =>
    readEarlierUse(session, "anna", parts, Date.parse(until), 1),
  );
}

describe("the use of a part before a moment", () => {
  test("counts sessions and hours from the whole day of its fitting up to the moment", async () => {
    const part = { partId: "c", fittedDay: "2026-05-20" };
    const found = (await used("2026-05-22T08:00:00Z", part)).get("c");
    expect(found).toEqual({ sessions: 4, hours: expect.closeTo(40 / 60, 9) });
  });

  test("counts only the machine it hangs on, where that is recorded", async () => {
    const part = { fittedDay: "2026-06-01" };
    const found = await used(
      "2026-06-10T00:00:00Z",
      { ...part, partId: "hers", machineId: "m-anna" },
      { ...part, partId: "another", machineId: "m-other" },
    );
    expect(found.get("hers")?.sessions).toBe(18);
    expect(found.has("another")).toBe(false);
  });

  test("tells the day on which a limit was reached, the first of both", async () => {
    const part = { fittedDay: "2026-05-13", machineId: "m-anna" };
    const found = await used(
      "2026-06-01T00:00:00Z",
      { ...part, partId: "sessions", replaceAfterSessions: 5 },
      { ...part, partId: "hours", replaceAfterHours: 1 },
      { ...part, partId: "both", replaceAfterSessions: 3, replaceAfterHours: 1 },
      { ...part, partId: "not-yet", replaceAfterSessions: 39 },
      { ...part, partId: "just", replaceAfterSessions: 38 },
    );
    // Two a day: the fifth on the third day; six times ten minutes make the hour on the third day.
    expect([...found].map(([id, { reachedDay }]) => [id, reachedDay]).sort()).toEqual([
      ["both", "2026-05-14"],
      ["hours", "2026-05-15"],
      ["just", "2026-05-31"],
      ["not-yet", undefined],
      ["sessions", "2026-05-15"],
    ]);
  });

  test("asks the database nothing where no part has a limit", async () => {
    expect(await used("2026-06-01T00:00:00Z")).toEqual(new Map());
  });
});

test("parts of several people are told apart in one statement, each by the cycles that count for their owner", async () => {
  await personWithCircuit(here, "bert", "2026-01-01");
  await usedEveryDay(here, "bert", ["08:00"]);
  const part = { partId: "c", fittedDay: "2026-05-20", minimumCycles: 1 };
  const found = await inTenant(here.database, here.tenantId, (session) =>
    readManyEarlierUses(
      session,
      [
        { ...part, patientId: "anna" },
        { ...part, patientId: "bert", replaceAfterSessions: 1 },
        { ...part, patientId: "bert", partId: "later", fittedDay: "2026-06-09" },
        { ...part, patientId: "nobody" },
      ],
      Date.parse("2026-05-22T09:00:00Z"),
    ),
  );
  expect([...found.keys()].sort()).toEqual(["anna", "bert"]);
  expect(found.get("anna")?.get("c")).toMatchObject({ sessions: 5 });
  expect([...(found.get("bert") ?? [])]).toEqual([
    ["c", { sessions: 3, hours: expect.closeTo(0.5, 9), reachedDay: "2026-05-20" }],
  ]);
});
