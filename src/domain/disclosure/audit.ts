import type { Interval } from "./figure.ts";
import { type Intruder, intruders, type Publication } from "./intruder.ts";
import type { IntervalSolver } from "./linear-system.ts";
import type { DisclosurePolicy } from "./policy.ts";
import { openProbe, type Spread, type Witnesses } from "./probe.ts";
import { inDoubt, nameOf, type Target, targetsOf } from "./target.ts";

/** Why a target is not safe; `unsettled`: the solver could not say, which counts as unsafe. */
export type Verdict = "safe" | "pinned" | "narrow" | "unsettled" | "contradictory";

/** What each intruder can work out of one target: tables that fit all publications reach both ends. */
export interface AuditedTarget {
  readonly name: string;
  readonly kind: Target["kind"];
  readonly intervals: Readonly<Record<Intruder, Interval>>;
  readonly verdict: Verdict;
}

/** The audit of publications: it passes when every target is safe from both intruders. */
export interface Audit {
  readonly passes: boolean;
  readonly targets: readonly AuditedTarget[];
}

const nothingKnown: Interval = { least: Number.POSITIVE_INFINITY, greatest: Number.NEGATIVE_INFINITY };

/** Works out every target to its ends. `witnesses` are tables already known to fit, for instance the true one. */
export function audit(
  publications: readonly Publication[],
  policy: DisclosurePolicy,
  solver: IntervalSolver,
  witnesses: Witnesses = [],
): Audit {
  const probes = intruders.map((intruder) => openProbe(publications, intruder, solver, witnesses));
  try {
    const targets = targetsOf(publications, policy).map((target): AuditedTarget => {
      const [figures, roles] = probes.map((probe) => probe.spread(target, () => false));
      const verdicts = [verdictOf(target, figures, "figures", policy), verdictOf(target, roles, "roles", policy)];
      return {
        name: nameOf(target),
        kind: target.kind,
        intervals: { figures: intervalOf(figures), roles: intervalOf(roles) },
        verdict: verdicts.find((verdict) => verdict !== "safe") ?? "safe",
      };
    });
    return { passes: targets.every(({ verdict }) => verdict === "safe"), targets };
  } finally {
    for (const probe of probes) probe.close();
  }
}

function verdictOf(target: Target, spread: Spread | undefined, intruder: Intruder, policy: DisclosurePolicy): Verdict {
  if (spread === undefined) return "contradictory";
  // Two tables that lie far enough apart are proof, whether or not there are others further out.
  if (inDoubt(target, spread, intruder, policy)) return "safe";
  if (!spread.settled) return "unsettled";
  // A difference of nobody is a group of nobody.
  if (target.kind !== "cell" && spread.greatest === 0) return "safe";
  return spread.least === spread.greatest ? "pinned" : "narrow";
}

function intervalOf(spread: Spread | undefined): Interval {
  return spread === undefined ? nothingKnown : { least: spread.least, greatest: spread.greatest };
}

/** The targets that are not yet safe, with the intruder whom they are not safe from; asks no more than it needs. */
export function unsafeTargets(
  publications: readonly Publication[],
  policy: DisclosurePolicy,
  solver: IntervalSolver,
  witnesses: Witnesses,
): readonly { readonly target: Target; readonly intruder: Intruder }[] {
  return intruders.flatMap((intruder) => {
    const probe = openProbe(publications, intruder, solver, witnesses);
    try {
      return targetsOf(publications, policy)
        .filter((target) => !safe(target, probe.spread(target, enoughFor(target, intruder, policy)), intruder, policy))
        .map((target) => ({ target, intruder }));
    } finally {
      probe.close();
    }
  });
}

/** Whether this one target is safe from this intruder. */
export function isSafe(
  target: Target,
  intruder: Intruder,
  publications: readonly Publication[],
  policy: DisclosurePolicy,
  solver: IntervalSolver,
  witnesses: Witnesses,
): boolean {
  const probe = openProbe(publications, intruder, solver, witnesses);
  try {
    return safe(target, probe.spread(target, enoughFor(target, intruder, policy)), intruder, policy);
  } finally {
    probe.close();
  }
}

function enoughFor(target: Target, intruder: Intruder, policy: DisclosurePolicy): (interval: Interval) => boolean {
  return (interval) => inDoubt(target, interval, intruder, policy);
}

function safe(target: Target, spread: Spread | undefined, intruder: Intruder, policy: DisclosurePolicy): boolean {
  return verdictOf(target, spread, intruder, policy) === "safe";
}
