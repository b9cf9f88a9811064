import { validateResource } from "@medplum/core";
import type { CarePlan, DeviceRequest, TimingRepeat } from "@medplum/fhirtypes";
import { beforeAll, describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { planFact, prescriptionUrls, profileFact } from "../../src/fhir/prescription.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const london = "Europe/London";
const profile = {
  profileId: "r1",
  role: "usual",
  slot: "A",
  schedule: { kind: "day-parts" as const, parts: ["morning", "evening"] },
  insufflationPressureCmH2O: 35,
  exsufflationPressureCmH2O: -40,
  insufflationSeconds: 1.5,
  cyclesPerSet: 5,
};
const made = planResources({
  id: "plan",
  patientId: "p",
  status: "active",
  start: "2026-01-01",
  reviewDay: "2026-07-01",
  profiles: [{ ...profile, interface: "tracheostomy-adapter" }],
});

test("plan and profiles read back as they were prescribed, and are valid R4", () => {
  expect([made.plan, ...made.requests].flatMap((one) => validateResource(one))).toEqual([]);
  expect(planFact(made.plan, london)).toEqual([
    {
      kind: "plan",
      plan: {
        planId: "plan",
        patientId: "p",
        status: "active",
        firstDay: "2026-01-01",
        holds: [],
        profileIds: ["r1"],
        reviewDay: "2026-07-01",
      },
    },
  ]);
  expect(profileFact(made.requests[0] as DeviceRequest, london)).toEqual([
    { kind: "profile", patientId: "p", profile, interface: "tracheostomy-adapter" },
  ]);
});

test("an activity refers and details nothing, as cpl-3 demands; a request listed is not based on the plan", () => {
  expect(made.plan.activity?.[0]?.detail).toBeUndefined();
  expect(made.requests[0]?.basedOn).toBeUndefined();
});

test("settings of another system are read in our units, and a pressure without a unit is no setting", () => {
  const [request] = made.requests as [DeviceRequest];
  const settingOf = (valueQuantity: object) => {
    const parameter = request.parameter?.slice(0, 1).map((one) => ({ ...one, valueQuantity })) ?? [];
    const [fact] = profileFact({ ...request, parameter }, london);
    return fact?.kind === "profile" ? fact.profile.insufflationPressureCmH2O : "no profile";
  };
  const system = "http://unitsofmeasure.org";
  // UCUM: m[H2O] is 9.80665 kPa, so 40 cmH2O are 3.92266 kPa.
  expect(settingOf({ value: 3.92266, unit: "kPa", system, code: "kPa" })).toBe(40);
  expect(settingOf({ value: 40 })).toBeUndefined();
});

describe("a schedule (https://hl7.org/fhir/R4/datatypes.html#Timing)", () => {
  const scheduleOf = (repeat: TimingRepeat | undefined, extra: Partial<DeviceRequest> = {}) => {
    const { occurrenceTiming: _, ...request } = made.requests[0] as DeviceRequest;
    const [fact] = profileFact(
      {
        ...request,
        ...(repeat === undefined ? {} : { occurrenceTiming: { repeat } }),
        ...extra,
      },
      london,
    );
    return fact?.kind === "profile" ? fact.profile.schedule : undefined;
  };
  test.each<[string, TimingRepeat | undefined, unknown]>([
    ["twice a day", { frequency: 2, period: 1, periodUnit: "d" }, { kind: "count", timesPerDay: 2 }],
    ["every eight hours", { frequency: 1, period: 8, periodUnit: "h" }, { kind: "count", timesPerDay: 3 }],
    ["fourteen times a week", { frequency: 14, period: 1, periodUnit: "wk" }, { kind: "count", timesPerDay: 2 }],
    ["once a week asks no day for one", { frequency: 1, period: 1, periodUnit: "wk" }, { kind: "when-needed" }],
    ["mornings", { when: ["MORN"] }, { kind: "day-parts", parts: ["morning"] }],
    ["late evening and night are one part", { when: ["EVE.late", "NIGHT"] }, { kind: "day-parts", parts: ["evening"] }],
    ["midday is no day part of ours", { when: ["MORN", "AFT", "EVE"] }, { kind: "count", timesPerDay: 3 }],
    ["no timing", undefined, { kind: "when-needed" }],
  ])("%s", (_what, repeat, expected) => {
    expect(scheduleOf(repeat)).toEqual(expected);
  });

  // https://hl7.org/fhir/R4/valueset-timing-abbreviation.html: BID two times a day, Q4H every four hours.
  test.each([
    ["BID", { kind: "count", timesPerDay: 2 }],
    ["QID", { kind: "count", timesPerDay: 4 }],
    ["Q4H", { kind: "when-needed" }],
  ])("written as the abbreviation %s", (code, expected) => {
    const coding = [{ system: "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation", code }];
    expect(scheduleOf(undefined, { occurrenceTiming: { code: { coding } } })).toEqual(expected);
  });

  test("as needed outweighs a timing", () => {
    expect(
      scheduleOf({ when: ["MORN"] }, { extension: [{ url: prescriptionUrls.asNeeded, valueBoolean: true }] }),
    ).toEqual({ kind: "when-needed" });
  });
});

describe("the days of a plan", () => {
  const planOf = (changes: Partial<CarePlan>) => {
    const [fact] = planFact({ ...made.plan, ...changes }, london);
    return fact?.kind === "plan" ? fact.plan : undefined;
  };
  test("the day of a change belongs to the new plan", () => {
    expect(planOf({ period: { start: "2026-01-01", end: "2026-03-10T13:00:00Z" } })?.endDay).toBe("2026-03-10");
    expect(planOf({ period: { start: "2026-01-01", end: "2026-03-09" } })?.endDay).toBe("2026-03-10");
  });

  test("a hold states its days, or begins on the day it was recorded", () => {
    const meta = { lastUpdated: "2026-03-05T12:00:00Z" };
    expect(planOf({ status: "on-hold", meta })?.holds).toEqual([{ firstDay: "2026-03-05" }]);
    const extension = [{ url: prescriptionUrls.planHold, valuePeriod: { start: "2026-03-01", end: "2026-03-03" } }];
    expect(planOf({ status: "on-hold", meta, extension })?.holds).toEqual([
      { firstDay: "2026-03-01", endDay: "2026-03-04" },
    ]);
  });

  test("a plan that was ended without a date ended on the day that was recorded", () => {
    expect(planOf({ status: "revoked", meta: { lastUpdated: "2026-03-05T12:00:00Z" } })?.endDay).toBe("2026-03-05");
  });

  test("a plan of another kind, with no settings, or entered in error asks nothing", () => {
    expect(planOf({ activity: [{ reference: { reference: "ServiceRequest/x" } }] })).toBeUndefined();
    expect(planOf({ status: "entered-in-error" })).toBeUndefined();
    expect(profileFact({ ...(made.requests[0] as DeviceRequest), status: "entered-in-error" }, london)).toEqual([]);
  });
});

test("a request coded for other equipment is no settings profile; one in words alone, or with our settings, may be", () => {
  const request = made.requests[0] as DeviceRequest;
  const { parameter: _, ...bare } = request;
  const other = { coding: [{ system: "urn:other", code: "wheelchair" }] };
  expect(profileFact({ ...bare, codeCodeableConcept: other }, london)).toEqual([]);
  expect(profileFact({ ...bare, codeCodeableConcept: { text: "Cough machine, twice a day" } }, london)).toHaveLength(1);
  expect(profileFact({ ...request, codeCodeableConcept: other }, london)).toHaveLength(1);
});

describe("a profile that replaced another", () => {
  const [request] = planResources({
    id: "plan",
    patientId: "p",
    status: "active",
    start: "2026-01-01",
    profiles: [{ ...profile, priorId: "r0", fromDay: "2026-03-10" }],
  }).requests as [DeviceRequest];
  const fromDay = (changes: Partial<DeviceRequest>) => {
    const [fact] = profileFact({ ...request, ...changes }, london);
    return fact?.kind === "profile" ? [fact.profile.priorId, fact.profile.fromDay] : undefined;
  };

  test("names it, and holds from the day on which it was authored", () => {
    expect(validateResource(request)).toEqual([]);
    expect(fromDay({})).toEqual(["r0", "2026-03-10"]);
  });

  test("or from the day that its timing or period says", () => {
    expect(fromDay({ occurrencePeriod: { start: "2026-03-12" } })).toEqual(["r0", "2026-03-12"]);
    const boundsPeriod = { start: "2026-03-13T23:30:00Z" };
    expect(fromDay({ occurrenceTiming: { repeat: { boundsPeriod } } })).toEqual(["r0", "2026-03-13"]);
  });

  test("without one before it, it holds for all of its plan", () => {
    const { priorRequest: _, ...first } = request;
    expect(profileFact(first, london)).toMatchObject([{ profile: { profileId: "r1" } }]);
    const [fact] = profileFact(first, london);
    expect(fact?.kind === "profile" && fact.profile.fromDay).toBeUndefined();
  });

  test("still states its settings when it is itself completed, for the days on which it held", () => {
    expect(profileFact({ ...request, status: "completed" }, london)).toHaveLength(1);
  });
});

test("what is asked for on certain weekdays only counts as when needed, so that nothing counts as missed", () => {
  const repeat: TimingRepeat = { frequency: 2, period: 1, periodUnit: "d", dayOfWeek: ["mon", "thu"] };
  const [fact] = profileFact({ ...(made.requests[0] as DeviceRequest), occurrenceTiming: { repeat } }, london);
  expect(fact?.kind === "profile" && fact.profile.schedule).toEqual({ kind: "when-needed" });
});

describe("a plan's decisions", () => {
  const { plan } = planResources({
    id: "plan-2",
    patientId: "p",
    status: "active",
    start: "2026-03-10T14:00:00Z",
    baselineDay: "2026-03-20",
    replacesId: "plan-1",
    overrides: [{ flagId: "f1", reason: "Agreed in clinic." }],
    profiles: [profile],
  });
  const stated = (changes: Partial<CarePlan>) => {
    const [fact] = planFact({ ...plan, ...changes }, london);
    return fact?.kind === "plan" ? fact.plan : undefined;
  };

  test("are valid R4 and read back: when, instead of which plan, from which baseline, and in spite of what", () => {
    expect(validateResource(plan)).toEqual([]);
    expect(stated({})).toMatchObject({
      firstDay: "2026-03-10",
      startMs: Date.parse("2026-03-10T14:00:00Z"),
      replacesId: "plan-1",
      baselineDay: "2026-03-20",
      overrides: [{ flagId: "f1", reason: "Agreed in clinic." }],
    });
  });

  test("a start that is a date is no moment of the day", () => {
    expect(stated({ period: { start: "2026-03-10" } })?.startMs).toBeUndefined();
  });

  test("an override without a reason, or without a flag, decides nothing", () => {
    const override = (extension: object[]) =>
      stated({ extension: [{ url: prescriptionUrls.override, extension }] as NonNullable<CarePlan["extension"]> })
        ?.overrides;
    expect(override([{ url: "flag", valueReference: { reference: "Flag/f1" } }])).toBeUndefined();
    expect(
      override([
        { url: "flag", valueReference: { reference: "Flag/f1" } },
        { url: "reason", valueString: "  " },
      ]),
    ).toBeUndefined();
    expect(override([{ url: "reason", valueString: "Because." }])).toBeUndefined();
  });
});

test("a decision to go on that gives a blank reason decides nothing", () => {
  const overrides = [
    { flagId: "f1", reason: "  " },
    { flagId: "f2", reason: "Agreed." },
  ];
  const { plan } = planResources({
    id: "plan",
    patientId: "p",
    status: "active",
    start: "2026-03-10",
    overrides,
    profiles: [{ profileId: "r", role: "usual", schedule: { kind: "when-needed" } }],
  });
  expect(planFact(plan, london)[0]).toHaveProperty("plan.overrides", [{ flagId: "f2", reason: "Agreed." }]);
});
