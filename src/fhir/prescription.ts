import type { CarePlan, DeviceRequest, DeviceRequestParameter } from "@medplum/fhirtypes";
import type { Fact, PlanFacts } from "../domain/facts.ts";
import type { ContraindicationOverride, Schedule, SettingsProfile } from "../domain/prescription.ts";
import type { DayRange } from "../domain/time.ts";
import { dayRangeOf, firstDayOf, startMsOf } from "./day-range.ts";
import { idOf } from "./session.ts";
import { extensionUrl } from "./terminology/canonical.ts";
import { assistedCoughTherapy } from "./terminology/codes.ts";
import {
  dayPartOfTiming,
  settingParameters,
  therapySystems,
  timesPerDayOfAbbreviation,
  timingAbbreviationSystem,
} from "./terminology/therapy.ts";
import { valueInUnit } from "./unit.ts";

/** Extensions of plans and prescriptions. */
export const prescriptionUrls = {
  planHold: extensionUrl("plan-hold"),
  reviewDay: extensionUrl("plan-review"),
  profileRole: extensionUrl("profile-role"),
  profileSlot: extensionUrl("profile-slot"),
  asNeeded: extensionUrl("as-needed"),
  override: extensionUrl("contraindication-override"),
  baseline: extensionUrl("change-signal-baseline"),
} as const;

/** The therapy plan that a CarePlan states: its days, its holds, and the profiles it asks for. */
export function planFact(plan: CarePlan, zone: string): Fact[] {
  const patientId = idOf(plan.subject.reference, "Patient");
  const range = dayRangeOf(plan.period, zone);
  const profileIds = (plan.activity ?? []).flatMap((one) => idOf(one.reference?.reference, "DeviceRequest") ?? []);
  if (patientId === undefined || range === undefined || plan.status === "entered-in-error") return [];
  if (profileIds.length === 0) return [];
  const status = plan.status === "unknown" ? "draft" : plan.status;
  const recordedDay = firstDayOf(plan.meta?.lastUpdated, zone);
  const over = status === "completed" || status === "revoked";
  const endDay = range.endDay ?? (over ? recordedDay : undefined);
  const day = (url: string) => plan.extension?.find((one) => one.url === url)?.valueDate;
  const reviewDay = day(prescriptionUrls.reviewDay);
  const baselineDay = day(prescriptionUrls.baseline);
  const replacesId = idOf(plan.replaces?.[0]?.reference, "CarePlan");
  const startMs = plan.period?.start?.includes("T") === true ? startMsOf(plan.period.start, zone) : undefined;
  const overrides = overridesOf(plan);
  return [
    {
      kind: "plan",
      plan: {
        planId: plan.id ?? "",
        patientId,
        status: status as PlanFacts["status"],
        firstDay: range.firstDay,
        ...(endDay === undefined ? {} : { endDay }),
        holds: holdsOf(plan, recordedDay, zone),
        profileIds,
        ...(reviewDay === undefined ? {} : { reviewDay }),
        ...(baselineDay === undefined ? {} : { baselineDay }),
        ...(replacesId === undefined ? {} : { replacesId }),
        ...(startMs === undefined ? {} : { startMs }),
        ...(overrides.length === 0 ? {} : { overrides }),
      },
    },
  ];
}

/** Decisions to go on in spite of a flag; one that names no flag or gives no reason decides nothing. */
function overridesOf(plan: CarePlan): ContraindicationOverride[] {
  return (plan.extension ?? [])
    .filter((one) => one.url === prescriptionUrls.override)
    .flatMap(({ extension }) => {
      const flagId = idOf(extension?.find((one) => one.url === "flag")?.valueReference?.reference, "Flag");
      const reason = extension?.find((one) => one.url === "reason")?.valueString?.trim() ?? "";
      return flagId === undefined || reason === "" ? [] : [{ flagId, reason }];
    });
}

function holdsOf(plan: CarePlan, recordedDay: string | undefined, zone: string): DayRange[] {
  const stated = (plan.extension ?? [])
    .filter((one) => one.url === prescriptionUrls.planHold)
    .flatMap((one) => dayRangeOf(one.valuePeriod, zone) ?? []);
  if (stated.length > 0 || plan.status !== "on-hold" || recordedDay === undefined) return stated;
  return [{ firstDay: recordedDay }];
}

/**
 * Whether a request may be for this therapy. One that is coded as something else, and sets nothing of ours, is not;
 * one in words alone may be, and somebody's prescription must not be lost.
 */
function mayBeOurs(request: DeviceRequest): boolean {
  const codings = request.codeCodeableConcept?.coding ?? [];
  const ours = codings.some(
    ({ system, code }) =>
      (system === therapySystems.therapy && code === "assisted-cough") ||
      (system === assistedCoughTherapy.system && code === assistedCoughTherapy.code),
  );
  return (
    codings.length === 0 ||
    ours ||
    settingParameters.some(({ code }) => request.parameter?.some((one) => hasCode(one, code)))
  );
}

/**
 * The settings profile that a DeviceRequest states; requests for other equipment state none. One that replaced another
 * (`priorRequest`) holds from the day it says, else from the day it was authored.
 */
export function profileFact(request: DeviceRequest, zone: string): Fact[] {
  const patientId = idOf(request.subject.reference, "Patient");
  if (patientId === undefined || request.status === "entered-in-error" || request.status === "draft") return [];
  if (!mayBeOurs(request)) return [];
  const text = (url: string) => request.extension?.find((one) => one.url === url)?.valueCode;
  const slot = text(prescriptionUrls.profileSlot);
  const settings: Record<string, number> = {};
  for (const { code, field, unit } of settingParameters) {
    const value = valueInUnit(request.parameter?.find((one) => hasCode(one, code))?.valueQuantity, unit);
    if (value !== undefined) settings[field] = value;
  }
  const interfaceCode = request.parameter
    ?.find((one) => hasCode(one, "interface"))
    ?.valueCodeableConcept?.coding?.find((one) => one.system === therapySystems.interface)?.code;
  const priorId = idOf(request.priorRequest?.[0]?.reference, "DeviceRequest");
  const fromDay = priorId === undefined ? undefined : firstDayOf(startOf(request), zone);
  const profile: SettingsProfile = {
    profileId: request.id ?? "",
    role: text(prescriptionUrls.profileRole) ?? "usual",
    schedule: scheduleOf(request),
    ...settings,
    ...(slot === undefined ? {} : { slot }),
    ...(priorId === undefined ? {} : { priorId }),
    ...(fromDay === undefined ? {} : { fromDay }),
  };
  return [
    { kind: "profile", patientId, profile, ...(interfaceCode === undefined ? {} : { interface: interfaceCode }) },
  ];
}

function startOf(request: DeviceRequest): string | undefined {
  return request.occurrencePeriod?.start ?? request.occurrenceTiming?.repeat?.boundsPeriod?.start ?? request.authoredOn;
}

function hasCode(parameter: DeviceRequestParameter, code: string): boolean {
  return (
    parameter.code?.coding?.some((one) => one.system === therapySystems.settingParameter && one.code === code) === true
  );
}

const daysOfUnit: Readonly<Record<string, number>> = { d: 1, h: 1 / 24, wk: 7 };

/**
 * How often a request asks: day parts by `when`, else a count a day, else when needed. A `when` that no day part answers
 * to (midday) makes a count of all of them, so that nothing asked for is lost. One for certain weekdays only is taken as
 * when needed: a plan asks for the same on each of its days, and what was not asked for must not count as missed.
 */
function scheduleOf(request: DeviceRequest): Schedule {
  const asNeeded = request.extension?.find((one) => one.url === prescriptionUrls.asNeeded)?.valueBoolean === true;
  const { repeat, code } = request.occurrenceTiming ?? {};
  if (asNeeded || (repeat?.dayOfWeek ?? []).length > 0) return { kind: "when-needed" };
  if (repeat === undefined) {
    const abbreviation = code?.coding?.find((one) => one.system === timingAbbreviationSystem)?.code ?? "";
    const timesPerDay = timesPerDayOfAbbreviation[abbreviation];
    return timesPerDay === undefined ? { kind: "when-needed" } : { kind: "count", timesPerDay };
  }
  const when = repeat.when ?? [];
  const parts = [...new Set(when.flatMap((one) => dayPartOfTiming[one] ?? []))];
  if (parts.length > 0) {
    const allAnswered = when.every((one) => dayPartOfTiming[one] !== undefined);
    return allAnswered ? { kind: "day-parts", parts } : { kind: "count", timesPerDay: new Set(when).size };
  }
  const periodDays = (repeat.period ?? 1) * (daysOfUnit[repeat.periodUnit ?? "d"] ?? 1);
  const timesPerDay = Math.round((repeat.frequency ?? 1) / periodDays);
  return timesPerDay < 1 ? { kind: "when-needed" } : { kind: "count", timesPerDay };
}
