import type { CarePlan, DeviceRequest, DeviceRequestParameter } from "@medplum/fhirtypes";
import type { Fact, PlanFacts } from "../domain/facts.ts";
import type { Schedule, SettingsProfile } from "../domain/prescription.ts";
import type { DayRange } from "../domain/time.ts";
import { dayRangeOf, firstDayOf } from "./day-range.ts";
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
  const reviewDay = plan.extension?.find((one) => one.url === prescriptionUrls.reviewDay)?.valueDate;
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
      },
    },
  ];
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

/** The settings profile that a DeviceRequest states; requests for other equipment state none. */
export function profileFact(request: DeviceRequest): Fact[] {
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
  const profile: SettingsProfile = {
    profileId: request.id ?? "",
    role: text(prescriptionUrls.profileRole) ?? "usual",
    schedule: scheduleOf(request),
    ...settings,
    ...(slot === undefined ? {} : { slot }),
  };
  return [
    { kind: "profile", patientId, profile, ...(interfaceCode === undefined ? {} : { interface: interfaceCode }) },
  ];
}

function hasCode(parameter: DeviceRequestParameter, code: string): boolean {
  return (
    parameter.code?.coding?.some((one) => one.system === therapySystems.settingParameter && one.code === code) === true
  );
}

const daysOfUnit: Readonly<Record<string, number>> = { d: 1, h: 1 / 24, wk: 7 };

/**
 * How often a request asks: day parts by `when`, else a count a day, else when needed. A `when` that no day part answers
 * to (midday) makes a count of all of them, so that nothing asked for is lost.
 */
function scheduleOf(request: DeviceRequest): Schedule {
  const asNeeded = request.extension?.find((one) => one.url === prescriptionUrls.asNeeded)?.valueBoolean === true;
  const { repeat, code } = request.occurrenceTiming ?? {};
  if (asNeeded) return { kind: "when-needed" };
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

/** A profile as the plan builder takes it. */
export interface ProfileParts extends SettingsProfile {
  readonly interface?: string;
}

function parametersOf(profile: ProfileParts): DeviceRequestParameter[] {
  const numeric = settingParameters.flatMap(({ code, display, field, unit }) => {
    const value = profile[field];
    if (value === undefined) return [];
    return [
      {
        code: { coding: [{ system: therapySystems.settingParameter, code, display }] },
        valueQuantity: { value, unit, system: "http://unitsofmeasure.org", code: unit },
      },
    ];
  });
  if (profile.interface === undefined) return numeric;
  const code = { coding: [{ system: therapySystems.settingParameter, code: "interface", display: "Interface" }] };
  return [
    ...numeric,
    { code, valueCodeableConcept: { coding: [{ system: therapySystems.interface, code: profile.interface }] } },
  ];
}

const timingOfPart = { morning: "MORN", evening: "EVE" } as const;

function timingOf(schedule: Schedule): Pick<DeviceRequest, "occurrenceTiming"> {
  if (schedule.kind === "when-needed") return {};
  if (schedule.kind === "count")
    return { occurrenceTiming: { repeat: { frequency: schedule.timesPerDay, period: 1, periodUnit: "d" } } };
  const when = schedule.parts.flatMap((part) => timingOfPart[part as keyof typeof timingOfPart] ?? []);
  return { occurrenceTiming: { repeat: { frequency: 1, period: 1, periodUnit: "d", when } } };
}

/** A plan with its profiles: the CarePlan, and a DeviceRequest for each set of settings. */
export function planResources(plan: {
  id: string;
  patientId: string;
  status: "active" | "on-hold" | "completed" | "revoked";
  start: string;
  end?: string;
  hold?: { start: string; end?: string };
  reviewDay?: string;
  profiles: readonly ProfileParts[];
}): { plan: CarePlan & { id: string }; requests: (DeviceRequest & { id: string })[] } {
  const subject = { reference: `Patient/${plan.patientId}` };
  const requests = plan.profiles.map((profile): DeviceRequest & { id: string } => ({
    resourceType: "DeviceRequest",
    id: profile.profileId,
    extension: [
      { url: prescriptionUrls.profileRole, valueCode: profile.role },
      ...(profile.slot === undefined ? [] : [{ url: prescriptionUrls.profileSlot, valueCode: profile.slot }]),
      ...(profile.schedule.kind === "when-needed" ? [{ url: prescriptionUrls.asNeeded, valueBoolean: true }] : []),
    ],
    status: plan.status === "on-hold" ? "on-hold" : plan.status === "completed" ? "completed" : "active",
    intent: "order",
    codeCodeableConcept: {
      coding: [
        {
          system: therapySystems.therapy,
          code: "assisted-cough",
          display: "Assisted cough (insufflation-exsufflation)",
        },
      ],
    },
    ...(parametersOf(profile).length === 0 ? {} : { parameter: parametersOf(profile) }),
    subject,
    ...timingOf(profile.schedule),
  }));
  const extension = [
    ...(plan.hold === undefined ? [] : [{ url: prescriptionUrls.planHold, valuePeriod: plan.hold }]),
    ...(plan.reviewDay === undefined ? [] : [{ url: prescriptionUrls.reviewDay, valueDate: plan.reviewDay }]),
  ];
  const carePlan: CarePlan & { id: string } = {
    resourceType: "CarePlan",
    id: plan.id,
    ...(extension.length === 0 ? {} : { extension }),
    status: plan.status,
    intent: "plan",
    title: "Assisted cough at home",
    subject,
    period: { start: plan.start, ...(plan.end === undefined ? {} : { end: plan.end }) },
    activity: requests.map((request) => ({ reference: { reference: `DeviceRequest/${request.id}` } })),
  };
  return { plan: carePlan, requests };
}
