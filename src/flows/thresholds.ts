import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { ruleTexts, safetyRules } from "../domain/rules/catalogue.ts";
import { checkThresholdsTogether, checkThresholdValues, type KnownRule } from "../domain/threshold-check.ts";
import { type ThresholdDefinition, thresholdDefinitions } from "../domain/threshold-definitions.ts";
import { effectiveThresholds, type ThresholdSetting } from "../domain/threshold-setting.ts";
import type { ThresholdName } from "../domain/threshold-sources.ts";
import type { Thresholds } from "../domain/thresholds.ts";
import { readInTenant, type TenantSession } from "../store/database.ts";
import { queueReviews } from "../store/facts.ts";
import { lockText } from "../store/lock.ts";
import {
  addThresholdSetting,
  latestThresholdSetting,
  patientOfPlan,
  planThresholdSettings,
  queueAllReviews,
  type StoredThresholdSetting,
  thresholdHistory,
} from "../store/threshold-setting.ts";
import type { Service } from "./service.ts";
import { orRollBack, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";

/** One threshold in force, with all that is to be shown beside its value. */
export interface ThresholdInForce extends Pick<ThresholdDefinition, "unit" | "allowed"> {
  readonly value: unknown;
  readonly source: string;
  /** Whose value it is. */
  readonly level: "default" | "tenant" | "plan";
}

/** The thresholds in force at one level, and what is set at that level itself; absent where nothing ever was. */
export interface ThresholdsInForce {
  readonly version: string;
  readonly thresholds: Readonly<Record<string, ThresholdInForce>>;
  readonly own?: StoredThresholdSetting;
}

/** What somebody wants set, in place of everything that was set at that level before. */
export interface WantedThresholds {
  /** As it arrived; unchecked. */
  readonly settings: unknown;
  readonly note: string;
  readonly setBy?: string;
  /** The version that the sender has seen, 0 for none; what came in between is not overwritten. */
  readonly expectedVersion?: number;
}

/** The thresholds in force for the tenant, or under one of its plans. */
export async function readThresholds(
  service: Service,
  tenantId: number,
  planId?: string,
): Promise<Result<ThresholdsInForce>> {
  return readInTenant(service.database, tenantId, async (session): Promise<Result<ThresholdsInForce>> => {
    if (planId !== undefined && (await patientOfPlan(session, planId)) === undefined)
      return refused(noSuchPlan(planId));
    return accepted(await inForce(service, session, planId));
  });
}

/**
 * Sets the values of one level as its next version and queues the review of everybody concerned, in one transaction:
 * either the numbers change and all are looked at again, or nothing happens.
 */
export async function setThresholds(
  service: Service,
  tenantId: number,
  planId: string | undefined,
  wanted: WantedThresholds,
): Promise<Result<ThresholdsInForce>> {
  const level = planId === undefined ? "tenant" : "plan";
  const checked = checkThresholdValues(wanted.settings, level, knownRules());
  if (!checked.ok) return checked;
  return writeInTenant(service, tenantId, async (session) => {
    // One after another within a tenant: values of a plan are checked together with those of the tenant.
    await lockText(session, "thresholds");
    const patientId = planId === undefined ? undefined : await patientOfPlan(session, planId);
    if (planId !== undefined && patientId === undefined) throw new RefusedWrite([noSuchPlan(planId)]);
    const before = await latestThresholdSetting(session, planId);
    orRollBack(checkVersion(wanted.expectedVersion, before?.version ?? 0));
    const setting: StoredThresholdSetting = {
      ...(planId === undefined ? {} : { planId }),
      version: (before?.version ?? 0) + 1,
      setAtMs: service.now(),
      ...(wanted.setBy === undefined ? {} : { setBy: wanted.setBy }),
      note: wanted.note,
      settings: checked.value,
    };
    const contradictions = await contradictionsOf(service, session, setting);
    if (contradictions.length > 0) throw new RefusedWrite(contradictions);
    await addThresholdSetting(session, setting);
    if (patientId === undefined) await queueAllReviews(session);
    else queueReviews(session, [patientId]);
    return inForce(service, session, planId);
  });
}

/** The versions at one level, newest first; `next` is where the older ones begin when there are more. */
export async function thresholdVersions(
  service: Service,
  tenantId: number,
  planId: string | undefined,
  page: { readonly count: number; readonly beforeVersion?: number },
): Promise<Result<{ readonly versions: readonly StoredThresholdSetting[]; readonly next?: number }>> {
  type Versions = { readonly versions: readonly StoredThresholdSetting[]; readonly next?: number };
  return readInTenant(service.database, tenantId, async (session): Promise<Result<Versions>> => {
    const found = await thresholdHistory(session, planId, { ...page, count: page.count + 1 });
    // What was set for a plan stays readable when the plan is gone.
    if (planId !== undefined && found.length === 0 && (await patientOfPlan(session, planId)) === undefined) {
      return refused(noSuchPlan(planId));
    }
    const versions = found.slice(0, page.count);
    const last = versions.at(-1);
    return accepted({ versions, ...(found.length > page.count && last !== undefined ? { next: last.version } : {}) });
  });
}

async function inForce(service: Service, session: TenantSession, planId?: string): Promise<ThresholdsInForce> {
  const ofTenant = await latestThresholdSetting(session, undefined);
  const ofPlan = planId === undefined ? undefined : await latestThresholdSetting(session, planId);
  const settings = [ofTenant, ofPlan].filter((one) => one !== undefined);
  const thresholds = effectiveThresholds(service.thresholds, settings, planId);
  const own = planId === undefined ? ofTenant : ofPlan;
  const levelOf = (name: string) =>
    Object.hasOwn(ofPlan?.settings ?? {}, name)
      ? "plan"
      : Object.hasOwn(ofTenant?.settings ?? {}, name)
        ? "tenant"
        : "default";
  const rows = Object.entries(thresholdDefinitions).map(([name, { unit, allowed }]): [string, ThresholdInForce] => {
    const known = name as ThresholdName;
    const source = thresholds.sources[known];
    return [
      name,
      { value: thresholds[known], ...(unit === undefined ? {} : { unit }), source, level: levelOf(name), allowed },
    ];
  });
  return { version: thresholds.version, thresholds: Object.fromEntries(rows), ...(own === undefined ? {} : { own }) };
}

/** Plans whose own values would contradict the tenant's new ones; this many are named. */
const mostPlansNamed = 10;

async function contradictionsOf(
  service: Service,
  session: TenantSession,
  setting: ThresholdSetting,
): Promise<readonly Refusal[]> {
  const { planId, settings: own } = setting;
  if (planId !== undefined) {
    const ofTenant = await latestThresholdSetting(session, undefined);
    return checkThresholdsTogether(
      under(service, [...(ofTenant === undefined ? [] : [ofTenant]), setting], planId),
      own,
    );
  }
  const alone = checkThresholdsTogether(under(service, [setting]), own);
  if (alone.length > 0) return alone;
  const ofPlans = await planThresholdSettings(session);
  const clashes = ofPlans.flatMap((ofPlan) => {
    const refusals = checkThresholdsTogether(under(service, [setting, ofPlan], ofPlan.planId), own);
    return refusals.map((one) => ({
      ...one,
      detail: `Under CarePlan/${ofPlan.planId}, which has its own: ${one.detail}`,
    }));
  });
  return clashes.slice(0, mostPlansNamed);
}

function under(service: Service, settings: readonly ThresholdSetting[], planId?: string): Thresholds {
  return effectiveThresholds(service.thresholds, settings, planId);
}

function checkVersion(expected: number | undefined, found: number): Result<number> {
  if (expected === undefined || expected === found) return accepted(found);
  const detail = `These thresholds are at version ${found}, not ${expected}: somebody set them in between. Read them, decide again, and send that version.`;
  return refused({ kind: "conflict", detail, at: "expectedVersion" });
}

function knownRules(): KnownRule[] {
  const safe = new Set(safetyRules.map((rule) => rule.code));
  return ruleTexts.map(({ code }) => ({ code, safety: safe.has(code) }));
}

function noSuchPlan(planId: string): Refusal {
  const detail = `There is no plan of this therapy with the id ${planId} here. Name the id of a CarePlan.`;
  return { kind: "not-found", detail, at: "planId" };
}
