import type { CarePlan, DeviceRequest, DeviceRequestParameter, Extension } from "@medplum/fhirtypes";
import type { ContraindicationOverride, Schedule, SettingsProfile } from "../domain/prescription.ts";
import { prescriptionUrls } from "./prescription.ts";
import { settingParameters, therapySystems } from "./terminology/therapy.ts";

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

function overrideExtension({ flagId, reason }: ContraindicationOverride): Extension {
  return {
    url: prescriptionUrls.override,
    extension: [
      { url: "flag", valueReference: { reference: `Flag/${flagId}` } },
      { url: "reason", valueString: reason },
    ],
  };
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
  /** The day from which the change signal takes a new baseline. */
  baselineDay?: string;
  /** The plan that this one replaces. */
  replacesId?: string;
  overrides?: readonly ContraindicationOverride[];
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
    ...(profile.priorId === undefined ? {} : { priorRequest: [{ reference: `DeviceRequest/${profile.priorId}` }] }),
    ...(profile.fromDay === undefined ? {} : { authoredOn: profile.fromDay }),
  }));
  const extension: Extension[] = [
    ...(plan.hold === undefined ? [] : [{ url: prescriptionUrls.planHold, valuePeriod: plan.hold }]),
    ...(plan.reviewDay === undefined ? [] : [{ url: prescriptionUrls.reviewDay, valueDate: plan.reviewDay }]),
    ...(plan.baselineDay === undefined ? [] : [{ url: prescriptionUrls.baseline, valueDate: plan.baselineDay }]),
    ...(plan.overrides ?? []).map(overrideExtension),
  ];
  const carePlan: CarePlan & { id: string } = {
    resourceType: "CarePlan",
    id: plan.id,
    ...(extension.length === 0 ? {} : { extension }),
    status: plan.status,
    intent: "plan",
    title: "Assisted cough at home",
    ...(plan.replacesId === undefined ? {} : { replaces: [{ reference: `CarePlan/${plan.replacesId}` }] }),
    subject,
    period: { start: plan.start, ...(plan.end === undefined ? {} : { end: plan.end }) },
    activity: requests.map((request) => ({ reference: { reference: `DeviceRequest/${request.id}` } })),
  };
  return { plan: carePlan, requests };
}
