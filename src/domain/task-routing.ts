import type { RoutingRule } from "./thresholds.ts";

/**
 * Who is asked first about the Tasks of a rule, of a patient of an organisation, as `Type/id`; undefined when nobody is
 * named. The most specific rule wins: rule and organisation, then rule, then organisation, then one for all; of equals
 * the later. A patient of no organisation, or a finding about no patient, fits only those that name none.
 */
export function ownerFor(
  routing: readonly RoutingRule[],
  rule: string,
  organizationId: string | undefined,
): string | undefined {
  let best: RoutingRule | undefined;
  for (const one of routing) {
    const fits =
      (one.rule === undefined || one.rule === rule) &&
      (one.organizationId === undefined || one.organizationId === organizationId);
    if (fits && (best === undefined || specificity(one) >= specificity(best))) best = one;
  }
  return best?.owner;
}

function specificity({ rule, organizationId }: RoutingRule): number {
  return (rule === undefined ? 0 : 2) + (organizationId === undefined ? 0 : 1);
}
