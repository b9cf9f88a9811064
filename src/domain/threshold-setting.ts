import type { ThresholdName } from "./threshold-sources.ts";
import type { Thresholds } from "./thresholds.ts";

/** One version of what a tenant, or one plan, has set instead of the defaults. */
export interface ThresholdSetting {
  /** id of the CarePlan; absent for the tenant's own. */
  readonly planId?: string;
  readonly version: number;
  readonly settings: ThresholdValues;
}

/** The thresholds that differ, each with where its value comes from. */
export type ThresholdValues = {
  readonly [name in ThresholdName]?: { readonly value: Thresholds[name]; readonly source: string };
};

/**
 * The thresholds in force under a plan: the tenant's values over the defaults, the plan's over both. The version names
 * every setting that took part. Without a plan, or where it has set none, the tenant's.
 */
export function effectiveThresholds(
  defaults: Thresholds,
  settings: readonly ThresholdSetting[],
  planId?: string,
): Thresholds {
  const ofTenant = settings.find((one) => one.planId === undefined);
  const ofPlan = planId === undefined ? undefined : settings.find((one) => one.planId === planId);
  return over(over(defaults, ofTenant), ofPlan);
}

function over(thresholds: Thresholds, setting: ThresholdSetting | undefined): Thresholds {
  if (setting === undefined) return thresholds;
  const entries = Object.entries(setting.settings);
  const level = setting.planId === undefined ? "tenant" : "plan";
  return {
    ...thresholds,
    ...Object.fromEntries(entries.map(([name, { value }]) => [name, value])),
    sources: { ...thresholds.sources, ...Object.fromEntries(entries.map(([name, { source }]) => [name, source])) },
    version: `${thresholds.version}/${level}-${setting.version}`,
  };
}
