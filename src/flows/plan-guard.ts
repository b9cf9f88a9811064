import type { CarePlan, DeviceRequest, Resource } from "@medplum/fhirtypes";
import { isInForce, overrideOf } from "../domain/contraindication.ts";
import { type PlanFacts, plansWithProfiles } from "../domain/facts.ts";
import { localDayOf } from "../domain/local-day.ts";
import { isHeld, planInForce } from "../domain/plan-in-force.ts";
import type { Plan } from "../domain/prescription.ts";
import type { Refusal } from "../domain/result.ts";
import { dayInWords } from "../domain/rules/wording.ts";
import { planFact, prescriptionUrls, profileFact } from "../fhir/prescription.ts";
import { idOf } from "../fhir/session.ts";
import { activeContraindications } from "../store/contraindication.ts";
import type { TenantSession } from "../store/database.ts";
import { lockPatients, readPatients, readPlans } from "../store/picture.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** What the guard needs to know of a write. */
interface Written {
  readonly type: string;
  readonly id: string;
  /** Absent for a deletion. */
  readonly resource?: Resource;
}

/** One plan that was written, or whose request was, among all plans of its patient as they are now. */
interface WrittenPlan {
  readonly plan: Plan;
  readonly plans: readonly Plan[];
  readonly patientId: string;
  readonly zone: string;
  /** What the plan itself stated before this write and states now; absent where it stated nothing that asks. */
  readonly change?: { readonly before: PlanFacts; readonly now: PlanFacts };
}

/**
 * Refuses therapy plans, just written in this transaction, that overlap another plan of the patient, or that newly ask
 * for therapy while an absolute contraindication is in force without saying why. A request that only now states a profile
 * (a draft made active) makes a plan of what lists it. To be asked when the facts of all writes are stored, so that ending
 * one plan and beginning the next in one transaction passes. Writers of one patient's plans wait for each other here, so
 * of two that overlap one is refused. Nothing is read where neither was written.
 */
export async function refusePlans(
  service: Service,
  session: TenantSession,
  writes: readonly Written[],
  current: ReadonlyMap<string, StoredResource>,
): Promise<Refusal[]> {
  const carePlans = writes.flatMap(({ type, id, resource }) => {
    if (type !== "CarePlan" || resource === undefined) return [];
    const carePlan = { ...(resource as CarePlan), id };
    const patientId = idOf(carePlan.subject.reference, "Patient");
    return patientId === undefined ? [] : [{ carePlan, id, patientId }];
  });
  const requests = writes.flatMap((write) => newProfile(write, current));
  if (carePlans.length === 0 && requests.length === 0) return [];
  const patientIds = [...new Set([...carePlans, ...requests].map((one) => one.patientId))];
  await lockPatients(session, patientIds);
  const patients = new Map((await readPatients(session, patientIds)).map((one) => [one.patientId, one]));
  const plansOf = await readPlans(session, patientIds);
  const zoneOf = (patientId: string) => patients.get(patientId)?.zone ?? service.defaultZone;
  const ours = carePlans.flatMap(({ carePlan, id, patientId }): WrittenPlan[] => {
    const plans = plansOf.get(patientId) ?? [];
    const plan = plans.find((one) => one.planId === id);
    const zone = zoneOf(patientId);
    const now = statedPlan(carePlan, zone);
    if (plan === undefined || now === undefined) return [];
    const before = planBefore(current.get(referenceOf({ type: "CarePlan", id })), zone);
    return [{ plan, plans, patientId, zone, ...(before === undefined ? {} : { change: { before, now } }) }];
  });
  const written = new Set(ours.map((one) => one.plan.planId));
  const byRequest = requests.flatMap(({ profileId, patientId }): WrittenPlan[] => {
    const plans = plansOf.get(patientId) ?? [];
    return plans
      .filter((plan) => !written.has(plan.planId) && plan.profiles.some((one) => one.profileId === profileId))
      .map((plan) => ({ plan, plans, patientId, zone: zoneOf(patientId) }));
  });
  const all = [...ours, ...byRequest];
  return [...all.flatMap(overlaps), ...(await forbidden(service, session, all))];
}

/** The profile of a request that stated none before; a request that is new is in no plan but one written with it. */
function newProfile(
  { type, id, resource }: Written,
  current: ReadonlyMap<string, StoredResource>,
): { readonly profileId: string; readonly patientId: string }[] {
  const before = type === "DeviceRequest" ? current.get(referenceOf({ type, id })) : undefined;
  if (resource === undefined || before === undefined || before.deleted) return [];
  if (profileFact(JSON.parse(before.body) as DeviceRequest, "UTC").length > 0) return [];
  return profileFact({ ...(resource as DeviceRequest), id }, "UTC").flatMap((fact) =>
    fact.kind === "profile" ? [{ profileId: id, patientId: fact.patientId }] : [],
  );
}

function planBefore(stored: StoredResource | undefined, zone: string): PlanFacts | undefined {
  return stored === undefined || stored.deleted ? undefined : statedPlan(JSON.parse(stored.body) as CarePlan, zone);
}

function statedPlan(plan: CarePlan, zone: string): PlanFacts | undefined {
  const [fact] = planFact(plan, zone);
  return fact?.kind === "plan" ? fact.plan : undefined;
}

function overlaps({ plan, plans }: WrittenPlan): Refusal[] {
  if (!isEverInForce(plan)) return [];
  return plans
    .filter((other) => other.planId !== plan.planId && isEverInForce(other) && meet(plan, other))
    .map((other) => ({
      kind: "business-rule",
      detail: `CarePlan/${plan.planId} (${daysInWords(plan)}) overlaps CarePlan/${other.planId} (${daysInWords(other)}), and one person has one therapy plan at a time. End the other first, or name it in replaces: it then ends on the day this one begins.`,
      at: "CarePlan.period",
      status: 422,
    }));
}

/** A draft never is, nor is a plan that is over without anybody knowing since when. */
function isEverInForce({ status, endDay }: Plan): boolean {
  return status === "active" || status === "on-hold" || (status !== "draft" && endDay !== undefined);
}

/** Whether some day belongs to both; a plan revoked before it began has none. */
function meet(a: Plan, b: Plan): boolean {
  return [a, b].every(({ endDay }) => endDay === undefined || (a.firstDay < endDay && b.firstDay < endDay));
}

function daysInWords({ firstDay, endDay }: Plan): string {
  const from = `from ${dayInWords(firstDay)}`;
  return endDay === undefined ? `${from} on` : `${from} until before ${dayInWords(endDay)}`;
}

async function forbidden(
  service: Service,
  session: TenantSession,
  written: readonly WrittenPlan[],
): Promise<Refusal[]> {
  const nowMs = service.now();
  const asking = written.filter((one) => newlyAsks(one, nowMs));
  if (asking.length === 0) return [];
  const flags = await activeContraindications(session, [...new Set(asking.map((one) => one.patientId))]);
  return asking.flatMap(({ plan, patientId }) =>
    flags
      .filter((flag) => flag.patientId === patientId && flag.class === "absolute" && isInForce(flag, nowMs))
      .filter((flag) => overrideOf(flag, plan) === undefined)
      .map(
        (flag): Refusal => ({
          kind: "business-rule",
          detail: `CarePlan/${plan.planId} asks for therapy while the contraindication "${flag.title}" (Flag/${flag.flagId}) is in force. Put the plan on hold, or end the flag. To go on all the same, add the extension ${prescriptionUrls.override} with two extensions inside: flag (valueReference Flag/${flag.flagId}) and reason (valueString); the reason is kept and shown.`,
          at: "CarePlan.status",
          status: 422,
        }),
      ),
  );
}

/** Whether the plan asks for therapy today and did not ask for the same before: a note added later is nobody's decision. */
function newlyAsks({ plan, plans, zone, change }: WrittenPlan, nowMs: number): boolean {
  const today = localDayOf(nowMs, zone);
  if (planInForce(plans, today)?.planId !== plan.planId || plan.status !== "active" || isHeld(plan, today))
    return false;
  if (change === undefined || change.before.status !== "active") return true;
  const { before, now } = change;
  const [asked] = plansWithProfiles([before], plan.profiles);
  const askedBefore = asked !== undefined && planInForce([asked], today) !== undefined && !isHeld(asked, today);
  const sameProfiles = JSON.stringify(before.profileIds) === JSON.stringify(now.profileIds);
  return !(askedBefore && sameProfiles);
}
