import type { Visit } from "./findings.ts";

/**
 * Rule dom-3, after the walk has seen every reference: a contained resource is pointed to, or points itself to the
 * resource around it; and no two have one id, or nobody could tell which is meant
 * (https://hl7.org/fhir/R4/references.html#contained).
 */
export function checkContained(visit: Visit, at: string): void {
  const contained = visit.root.contained;
  if (!Array.isArray(contained)) return;
  const seen = new Set<string>();
  for (const [i, one] of (contained as ({ id?: unknown } | null)[]).entries()) {
    const id = one?.id;
    if (typeof id !== "string") continue;
    const place = `${at}.contained[${i}]`;
    if (seen.has(id)) {
      const detail = `Two contained resources have the id "${id.slice(0, 64)}". Give each its own.`;
      visit.errors.push({ kind: "invariant", detail, at: `${place}.id`, status: 422 });
    } else if (!visit.pointedTo.has(id) && !visit.pointOut.has(i)) {
      const detail = `Constraint dom-3 not met: nothing points to "#${id.slice(0, 64)}". Point to it, or take it out.`;
      visit.errors.push({ kind: "invariant", detail, at: place, status: 422 });
    }
    seen.add(id);
  }
}
