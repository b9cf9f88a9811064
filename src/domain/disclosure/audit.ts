import type { Interval } from "./figure.ts";
import { type Intruder, intruders, type Publication } from "./intruder.ts";
import type { IntervalSolver } from "./linear-system.ts";
import type { DisclosurePolicy } from "./policy.ts";
import { closeProbe, openProbe, type Spread, spread } from "./probe.ts";
import { doubtOf, leaves, nameOf, type Target, targetsOf } from "./target.ts";
import { type Witnesses, witnessesOf } from "./witness.ts";

/** Why a target is not safe; `unsettled`: it could not be shown to be, which counts as unsafe. */
export type Verdict = "safe" | "pinned" | "narrow" | "unsettled" | "contradictory";

/** What each intruder can work out of one target: tables that fit all publications reach both ends. */
export interface AuditedTarget {
  readonly name: string;
  readonly kind: Target["kind"];
  /** To the ends, where the audit went there; otherwise the target can lie at least as far apart as this. */
  readonly intervals: Readonly<Record<Intruder, Interval>>;
  readonly verdict: Verdict;
}

/** The audit of publications: it passes when every target is safe from both intruders. */
export interface Audit {
  readonly passes: boolean;
  readonly targets: readonly AuditedTarget[];
}

/** How far an audit looks: to the ends of every target while there are no more of them than this, else until it is safe. */
export interface AuditReach {
  readonly endsOf: number;
}

const nothingKnown: Interval = { least: Number.POSITIVE_INFINITY, greatest: Number.NEGATIVE_INFINITY };

/** Looks at every target. `witnesses` are tables already known to fit, for instance the true one. */
export function audit(
  publications: readonly Publication[],
  policy: DisclosurePolicy,
  solver: IntervalSolver,
  witnesses: Witnesses = witnessesOf(),
  reach: AuditReach = { endsOf: Number.POSITIVE_INFINITY },
): Audit {
  const probes = intruders.map((intruder) => openProbe(publications, intruder, solver, witnesses));
  const asked = targetsOf(publications, policy);
  const toEnds = asked.length <= reach.endsOf;
  try {
    const targets = asked.map((target): AuditedTarget => {
      const spreads = probes.map((probe) =>
        spread(probe, target, toEnds ? undefined : doubtOf(target, probe.intruder, policy)),
      );
      const verdicts = probes.map(({ intruder }, i) => verdictOf(target, spreads[i], intruder, policy));
      return {
        name: nameOf(target),
        kind: target.kind,
        intervals: { figures: intervalOf(spreads[0]), roles: intervalOf(spreads[1]) },
        verdict: verdicts.find((verdict) => verdict !== "safe") ?? "safe",
      };
    });
    return { passes: targets.every(({ verdict }) => verdict === "safe"), targets };
  } finally {
    for (const probe of probes) closeProbe(probe);
  }
}

/** What is to be said of a target that tables spread so far; undefined: no table fits. */
export function verdictOf(
  target: Target,
  seen: Spread | undefined,
  intruder: Intruder,
  policy: DisclosurePolicy,
): Verdict {
  if (seen === undefined) return "contradictory";
  // Two tables that lie far enough apart are proof, whether or not there are others further out.
  if (leaves(seen, doubtOf(target, intruder, policy))) return "safe";
  if (!seen.settled) return "unsettled";
  // A difference of nobody is a group of nobody.
  if (target.kind !== "cell" && seen.greatest === 0) return "safe";
  return seen.least === seen.greatest ? "pinned" : "narrow";
}

function intervalOf(seen: Spread | undefined): Interval {
  return seen === undefined ? nothingKnown : { least: seen.least, greatest: seen.greatest };
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
        .filter((target) => {
          const seen = spread(probe, target, doubtOf(target, intruder, policy));
          return verdictOf(target, seen, intruder, policy) !== "safe";
        })
        .map((target) => ({ target, intruder }));
    } finally {
      closeProbe(probe);
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
    const seen = spread(probe, target, doubtOf(target, intruder, policy));
    return verdictOf(target, seen, intruder, policy) === "safe";
  } finally {
    closeProbe(probe);
  }
}
