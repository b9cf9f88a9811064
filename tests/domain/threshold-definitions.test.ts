import { expect, test } from "vitest";
import { thresholdDefinitions } from "../../src/domain/threshold-definitions.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

type Name = keyof typeof thresholdDefinitions;

const names = Object.keys(thresholdDefinitions) as Name[];

/** Where the refusals of a value stand; the value's own place is `v`. */
const places = (name: Name, value: unknown) => thresholdDefinitions[name].check(value, "v").map((one) => one.at);

test("every threshold there is can be set, and its default is allowed", () => {
  expect([...names].sort()).toEqual(Object.keys(defaultThresholds.sources).sort());
  expect(names.flatMap((name) => places(name, defaultThresholds[name]))).toEqual([]);
});

test("every number has a unit, and what is no number has none", () => {
  const numbers = names.filter((name) => typeof defaultThresholds[name] === "number");
  const withUnit = names.filter((name) => thresholdDefinitions[name].unit !== undefined);
  expect(withUnit.sort()).toEqual([...numbers, "dueDaysBySeverity"].sort());
});

test("the unit says the same as the end of the name", () => {
  // UCUM codes (https://ucum.org/ucum): d, mo, a, min, s, L/min, cm[H2O], %, and 1 for a share.
  const ends: Readonly<Record<string, string>> = {
    Days: "d",
    Months: "mo",
    AgeYears: "a",
    Minutes: "min",
    Seconds: "s",
    LitresPerMinute: "L/min",
    CmH2O: "cm[H2O]",
    Percent: "%",
    Share: "1",
    Sessions: "{session}",
    Cycles: "{cycle}",
    BySeverity: "d",
  };
  for (const name of names) {
    const { unit } = thresholdDefinitions[name];
    if (unit === undefined) continue;
    const end = Object.keys(ends).find((one) => name.endsWith(one));
    expect([name, end === undefined ? undefined : ends[end]]).toEqual([name, unit]);
  }
});

test.each(names.filter((name) => typeof defaultThresholds[name] === "number").map((name) => [name]))(
  "%s refuses what is no number, what is negative and what is beyond all reason",
  (name) => {
    for (const value of ["1", null, true, [1], { value: 1 }, -1, 1e9, Number.NaN]) {
      expect([value, places(name, value)]).toEqual([value, ["v"]]);
    }
  },
);

test.each(names.filter((name) => name.endsWith("Days")).map((name) => [name]))("%s are whole days", (name) => {
  expect(places(name, 1.5)).toEqual(["v"]);
  expect(places(name, name === "deviceIdleDays" ? 731 : 366)).toEqual(["v"]);
});

test("only day parts are the tenant's alone", () => {
  expect(names.filter((name) => thresholdDefinitions[name].tenantOnly === true)).toEqual(["dayParts"]);
});

test("day parts are checked one by one and against each other", () => {
  const morning = { code: "morning", from: "04:00", to: "12:00" };
  expect(places("dayParts", [morning, { code: "evening", from: "16:00", to: "04:00" }])).toEqual([]);
  expect(places("dayParts", [])).toEqual(["v"]);
  expect(places("dayParts", [{ ...morning, to: "24:00" }])).toEqual(["v[0].to"]);
  expect(places("dayParts", [{ ...morning, code: "Early morning" }])).toEqual(["v[0].code"]);
  expect(places("dayParts", [morning, { ...morning, code: "late", to: "11:00" }])).toEqual(["v[1]"]);
  expect(places("dayParts", [{ code: "morning", from: "04:00" }])).toEqual(["v[0].to"]);
});

test("a kind of part is checked in each of its fields", () => {
  const kind = { code: "circuit", title: "Circuit", leadDays: 7, source: "Local policy" };
  const placesOf = (more: object) => places("partKinds", [{ ...kind, ...more }]);
  const good = {
    replaceAfter: { months: 1 },
    replaceAfterSessions: 60,
    replaceAfterHours: 12.5,
    checkAfter: { days: 7 },
    infectionShare: 0.5,
    replaceAfterInfection: true,
    tracheostomyShare: 1,
  };
  expect([placesOf({}), placesOf(good)]).toEqual([[], []]);
  expect(placesOf({ replaceAfter: { months: 0 } })).toEqual(["v[0].replaceAfter.months"]);
  expect(placesOf({ replaceAfter: { months: 1, days: 3 } })).toEqual(["v[0].replaceAfter.days"]);
  expect(placesOf({ replaceAfter: 30 })).toEqual(["v[0].replaceAfter"]);
  expect(placesOf({ checkAfter: { weeks: 1 } })).toEqual(["v[0].checkAfter.days", "v[0].checkAfter.weeks"]);
  expect(placesOf({ replaceAfterSessions: 0.5 })).toEqual(["v[0].replaceAfterSessions"]);
  expect(placesOf({ replaceAfterHours: 0 })).toEqual(["v[0].replaceAfterHours"]);
  expect(placesOf({ infectionShare: 0 })).toEqual(["v[0].infectionShare"]);
  expect(placesOf({ tracheostomyShare: 1.5 })).toEqual(["v[0].tracheostomyShare"]);
  expect(placesOf({ replaceAfterInfection: "yes" })).toEqual(["v[0].replaceAfterInfection"]);
  expect(placesOf({ leadDays: -1 })).toEqual(["v[0].leadDays"]);
  expect(placesOf({ source: "" })).toEqual(["v[0].source"]);
});

test("who is asked is a team, an organisation or a practitioner", () => {
  for (const owner of ["CareTeam/a", "Organization/a", "Practitioner/a.b-1", "PractitionerRole/a"]) {
    expect(places("taskRouting", [{ owner, rule: "low-use", organizationId: "org-1" }])).toEqual([]);
  }
  for (const owner of ["Patient/a", "CareTeam/", "https://elsewhere/CareTeam/a", "CareTeam/a b"]) {
    expect(places("taskRouting", [{ owner }])).toEqual(["v[0].owner"]);
  }
  expect(places("taskRouting", [{ owner: "CareTeam/a", organizationId: "Organization/1" }])).toEqual([
    "v[0].organizationId",
  ]);
});

test("the change signal is checked in each of its fields", () => {
  const placesOf = (more: object) => places("changeSignal", { ...defaultThresholds.changeSignal, ...more });
  expect(placesOf({ on: true, method: "cusum" })).toEqual([]);
  expect(placesOf({ method: "xbar" })).toEqual(["v.method"]);
  expect(placesOf({ on: "yes" })).toEqual(["v.on"]);
  expect(placesOf({ baselineDays: 9 })).toEqual(["v.baselineDays"]);
  expect(placesOf({ ewmaLambda: 0, ewmaWidth: 0, cusumSlack: -1, cusumDecision: 0 })).toEqual([
    "v.ewmaLambda",
    "v.ewmaWidth",
    "v.cusumSlack",
    "v.cusumDecision",
  ]);
});
