import { readdirSync, readFileSync } from "node:fs";
import fc from "fast-check";
import { expect, test } from "vitest";
import { safetyRules } from "../../src/domain/rules/catalogue.ts";
import { checkThresholdsTogether, checkThresholdValues, type KnownRule } from "../../src/domain/threshold-check.ts";
import { effectiveThresholds, type ThresholdValues } from "../../src/domain/threshold-setting.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

const rules: readonly KnownRule[] = [
  { code: "low-use", safety: false },
  { code: "part-due", safety: false },
  { code: "plan-needs-hold", safety: true },
];

const local = <T>(value: T) => ({ value, source: "Local policy 7" });

/** `kind at` of every refusal; empty when the values are taken. */
function refusals(values: unknown, level: "tenant" | "plan" = "tenant"): string[] {
  const checked = checkThresholdValues(values, level, rules);
  return checked.ok ? [] : checked.refusals.map(({ kind, at }) => `${kind} ${at}`);
}

/** Where the refusals of a combination stand. */
function together(own: ThresholdValues): (string | undefined)[] {
  const thresholds = effectiveThresholds(defaultThresholds, [{ version: 1, settings: own }]);
  return checkThresholdsTogether(thresholds, own).map((one) => one.at);
}

test("no value at all is taken: nothing is overridden", () => {
  expect(refusals({})).toEqual([]);
});

test("what is no object is refused", () => {
  for (const values of [null, [], "x", 1, undefined]) expect(refusals(values)).toEqual(["structure settings"]);
});

test("an unknown name is refused, also one that every object has", () => {
  expect(refusals({ lowUse: local(1) })).toEqual(["value settings.lowUse"]);
  expect(refusals({ constructor: local(1) })).toEqual(["value settings.constructor"]);
  expect(refusals(JSON.parse('{"__proto__": {"value": 1, "source": "abc"}}'))).toEqual(["value settings.__proto__"]);
  expect(refusals({ version: local("x"), sources: local({}) })).toEqual([
    "value settings.version",
    "value settings.sources",
  ]);
});

test("of a flood of unknown names the first few are answered", () => {
  const flood = Object.fromEntries(Array.from({ length: 20_000 }, (_, i) => [`lowUseBelowShare${i}`, local(1)]));
  expect(refusals(flood)).toHaveLength(5);
});

test("each value needs where it comes from, in 3 to 500 characters", () => {
  const withSource = (source: unknown) => refusals({ coolDownDays: { value: 7, source } });
  expect(withSource("abc")).toEqual([]);
  for (const source of ["", "ab", "   ", "x".repeat(501), 7, null]) {
    expect(withSource(source)).toEqual(["value settings.coolDownDays.source"]);
  }
  expect(refusals({ coolDownDays: { value: 7 } })).toEqual(["required settings.coolDownDays.source"]);
  expect(refusals({ coolDownDays: { source: "abc" } })).toEqual(["required settings.coolDownDays.value"]);
});

test("every fault is named at once, each where it stands", () => {
  expect(refusals({ coolDownDays: { value: 0 }, lowUseBelowShare: local(2) })).toEqual([
    "value settings.lowUseBelowShare.value",
    "required settings.coolDownDays.source",
    "value settings.coolDownDays.value",
  ]);
});

test("day parts can be set for the tenant and for no plan", () => {
  const values = { dayParts: local([{ code: "day", from: "06:00", to: "22:00" }]) };
  expect([refusals(values), refusals(values, "plan")]).toEqual([[], ["business-rule settings.dayParts"]]);
});

test("a rule can be switched off when it is one and not of safety", () => {
  expect(refusals({ disabledRules: local(["low-use", "part-due"]) })).toEqual([]);
  expect(refusals({ disabledRules: local(["low-use", "plan-needs-hold", "no-such"]) })).toEqual([
    "business-rule settings.disabledRules.value[1]",
    "value settings.disabledRules.value[2]",
  ]);
});

test("a route names a rule that there is, or none", () => {
  expect(refusals({ taskRouting: local([{ owner: "CareTeam/a" }, { owner: "CareTeam/a", rule: "low-use" }]) })).toEqual(
    [],
  );
  expect(refusals({ taskRouting: local([{ owner: "CareTeam/a", rule: "no-such" }]) })).toEqual([
    "value settings.taskRouting.value[0].rule",
  ]);
});

test("a kind of part stands once, and is not due on the day it is fitted", () => {
  const kind = { code: "mask", title: "Mask", leadDays: 7, source: "Local policy", replaceAfter: { days: 8 } };
  expect(refusals({ partKinds: local([kind]) })).toEqual([]);
  expect(refusals({ partKinds: local([kind, { ...kind, replaceAfter: { days: 7 } }]) })).toEqual([
    "value settings.partKinds.value[1].code",
    "value settings.partKinds.value[1].leadDays",
  ]);
  expect(refusals({ partKinds: local([{ ...kind, replaceAfter: { months: 1 }, leadDays: 28 }]) })).toEqual([
    "value settings.partKinds.value[0].leadDays",
  ]);
});

test("the defaults do not contradict each other", () => {
  expect(checkThresholdsTogether(defaultThresholds, {})).toEqual([]);
});

test.each([
  ["peakCoughFlowReviewBelowLitresPerMinute", "peakCoughFlowInformationBelowLitresPerMinute", 270, 271, 160, 159],
  ["saturationReviewBelowPercent", "saturationInformationBelowPercent", 95, 95.5, 90, 89.5],
  ["pressureShortSessions", "pressureLookbackSessions", 5, 6, 3, 2],
  ["alertDays", "alertWindowDays", 7, 8, 3, 2],
] as const)("%s may reach %s and not pass it", (lower, upper, reach, pass, down, below) => {
  expect(together({ [lower]: local(reach) })).toEqual([]);
  expect(together({ [lower]: local(pass) })).toEqual([`settings.${lower}.value`]);
  expect(together({ [upper]: local(down) })).toEqual([]);
  expect(together({ [upper]: local(below) })).toEqual([`settings.${upper}.value`]);
  expect(together({ [lower]: local(pass), [upper]: local(pass) })).toEqual([]);
});

test("what is urgent is not due later than what is to be reviewed", () => {
  expect(together({ dueDaysBySeverity: local({ review: 5, urgent: 5 }) })).toEqual([]);
  expect(together({ dueDaysBySeverity: local({ review: 5, urgent: 6 }) })).toEqual([
    "settings.dueDaysBySeverity.value.urgent",
  ]);
});

test("every rule that may find something of safety is among those that cannot be switched off", () => {
  const folder = new URL("../../src/domain/rules/", import.meta.url);
  const speaking = readdirSync(folder).filter((name) =>
    /\bsafety: (?!false\b)/.test(readFileSync(new URL(name, folder), "utf8")),
  );
  expect(speaking.sort()).toEqual(safetyRules.map((rule) => `${rule.code}.ts`).sort());
});

const days = fc.integer({ min: 1, max: 365 });
const share = fc.double({ min: 0.001, max: 1, noNaN: true });
const numbers = {
  minimumCoverageShare: share,
  lowUseBelowShare: share,
  lowUseWindowDays: days,
  noRecentRecordDays: days,
  longSittingMinutes: fc.integer({ min: 1, max: 1_440 }),
  settingsPressureToleranceCmH2O: fc.integer({ min: 0, max: 30 }),
  peakCoughFlowFromAgeYears: fc.integer({ min: 0, max: 120 }),
  screeningMonths: fc.integer({ min: 1, max: 120 }),
  deviceIdleDays: fc.integer({ min: 1, max: 730 }),
  serviceLeadDays: fc.integer({ min: 0, max: 365 }),
  clockDriftSeconds: fc.integer({ min: 1, max: 86_400 }),
  coolDownDays: days,
};
const valid = fc.record(Object.fromEntries(Object.entries(numbers).map(([name, value]) => [name, value.map(local)])), {
  requiredKeys: [],
});

test("whatever is valid is taken as it is, and holds in the thresholds in force", () => {
  fc.assert(
    fc.property(valid, (values) => {
      const checked = checkThresholdValues(values, "plan", rules);
      if (!checked.ok) throw new Error(JSON.stringify(checked.refusals));
      expect(checked.value).toEqual(values);
      const inForce = effectiveThresholds(
        defaultThresholds,
        [{ planId: "p", version: 1, settings: checked.value }],
        "p",
      );
      for (const name of Object.keys(numbers) as (keyof typeof numbers)[]) {
        expect(inForce[name]).toBe(values[name]?.value ?? defaultThresholds[name]);
        expect(inForce.sources[name]).toBe(values[name]?.source ?? defaultThresholds.sources[name]);
      }
    }),
  );
});

test("one value out of range among valid ones is never taken", () => {
  const broken = fc.constantFrom(-1, 1e7, Number.NaN, "7", null, true, [7], { value: 7 });
  const names = fc.constantFrom(...(Object.keys(numbers) as (keyof typeof numbers)[]));
  fc.assert(
    fc.property(valid, names, broken, (values, name, value) => {
      expect(refusals({ ...values, [name]: local(value) })).toEqual([`value settings.${name}.value`]);
    }),
  );
});
