import type { Absence } from "./absence.ts";
import type { RecordedAlert } from "./alert.ts";
import type { ConsentDenial } from "./consent.ts";
import type { Contraindication } from "./contraindication.ts";
import type { ClockCheck, CoverageRange, DeviceFacts, DeviceUse } from "./device.ts";
import type { FindingTask } from "./finding-task.ts";
import type { ChestInfection } from "./infection.ts";
import { laterDay } from "./local-day.ts";
import type { FittedPart } from "./part.ts";
import type { Plan, SettingsProfile } from "./prescription.ts";
import type { Screening } from "./screening.ts";
import type { Session } from "./session.ts";
import type { LocalDay } from "./time.ts";

/** What computations need to know of a Patient. */
export interface PatientFacts {
  readonly patientId: string;
  readonly zone: string;
  /** `Family, Given`, for sorting a caseload. */
  readonly sortName: string;
  readonly active: boolean;
  readonly birthDay?: LocalDay;
  readonly deceasedDay?: LocalDay;
  readonly replacedBy?: string;
  readonly organizationId?: string;
}

/** What the statement of a part's use reports of the part. */
export type PartReport = Pick<FittedPart, "soiledDay" | "checkedDay">;

/** A plan before its profiles are joined to it by id. */
export interface PlanFacts extends Omit<Plan, "profiles"> {
  readonly patientId: string;
  readonly profileIds: readonly string[];
}

/**
 * The facts that one resource states, for the tables that computations read.
 * A resource that states none (or is entered in error) gives an empty list, which removes what it stated before.
 */
export type Fact =
  | { readonly kind: "patient"; readonly patient: PatientFacts }
  | { readonly kind: "device"; readonly device: DeviceFacts }
  | { readonly kind: "device-use"; readonly use: DeviceUse & PartReport }
  | { readonly kind: "session"; readonly session: Session }
  | { readonly kind: "coverage"; readonly coverage: readonly CoverageRange[] }
  | { readonly kind: "plan"; readonly plan: PlanFacts }
  | {
      readonly kind: "profile";
      readonly patientId: string;
      readonly profile: SettingsProfile;
      readonly interface?: string;
    }
  | { readonly kind: "contraindication"; readonly patientId: string; readonly contraindication: Contraindication }
  | { readonly kind: "absence"; readonly patientId: string; readonly absence: Absence }
  | { readonly kind: "infection"; readonly patientId: string; readonly infection: ChestInfection }
  | { readonly kind: "screening"; readonly patientId: string; readonly screening: Screening }
  | { readonly kind: "alert"; readonly alert: RecordedAlert }
  | { readonly kind: "clock-check"; readonly check: ClockCheck }
  | { readonly kind: "consent-denial"; readonly denial: ConsentDenial }
  | { readonly kind: "task"; readonly patientId?: string; readonly task: FindingTask };

/**
 * Plans with the profiles they list, by first day. A plan of which no profile of this therapy is known is none of ours:
 * a later plan for other equipment must not stand in the way of the one in force. A plan that another one replaces ends
 * where the first of those begins, whatever its own record says; replaced from before its own first day, it never was in
 * force. A profile that replaced another since the plan began brings the
 * other along, until the day of the change.
 */
export function plansWithProfiles(plans: readonly PlanFacts[], profiles: readonly SettingsProfile[]): Plan[] {
  const byId = new Map(profiles.map((profile) => [profile.profileId, profile]));
  const ours = plans
    .map(({ profileIds, patientId: _, ...plan }) => ({
      ...plan,
      profiles: latestOf(profileIds, byId).flatMap((profile) => withPriors(profile, plan.firstDay, byId)),
    }))
    .filter((plan) => plan.profiles.length > 0);
  return ours.map((plan) => endedByReplacement(plan, ours)).sort((a, b) => (a.firstDay < b.firstDay ? -1 : 1));
}

/** The profiles of a list that no other one of it replaces; of a circle, the first. */
function latestOf(ids: readonly string[], byId: ReadonlyMap<string, SettingsProfile>): SettingsProfile[] {
  const listed = ids.flatMap((id) => byId.get(id) ?? []);
  const replaced = new Set(listed.map((profile) => profile.priorId));
  const latest = listed.filter((profile) => !replaced.has(profile.profileId));
  return latest.length > 0 ? latest : listed.slice(0, 1);
}

/** A profile with those it replaced one after another, each until the next began. */
function withPriors(
  profile: SettingsProfile,
  planFirstDay: LocalDay,
  byId: ReadonlyMap<string, SettingsProfile>,
): SettingsProfile[] {
  const chain = [profile];
  const seen = new Set([profile.profileId]);
  for (let next = profile; next.fromDay !== undefined && next.fromDay > planFirstDay; ) {
    const prior = next.priorId === undefined ? undefined : byId.get(next.priorId);
    if (prior === undefined || seen.has(prior.profileId)) break;
    seen.add(prior.profileId);
    chain.push({ ...prior, untilDay: next.fromDay });
    next = prior;
  }
  return chain;
}

function endedByReplacement(plan: Plan, plans: readonly Plan[]): Plan {
  const nextDays = plans
    .filter((one) => one.replacesId === plan.planId && one.status !== "draft")
    .map((one) => laterDay(plan.firstDay, one.firstDay));
  const ends = [...nextDays, ...(plan.endDay === undefined ? [] : [plan.endDay])].sort();
  return ends[0] === undefined ? plan : { ...plan, endDay: ends[0] };
}
