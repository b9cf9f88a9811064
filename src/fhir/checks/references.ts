import { type Visit, valueFault } from "./findings.ts";
import type { ElementPlan } from "./type-plan.ts";
import { isResourceName } from "./type-plan.ts";

const relative = /^([A-Za-z]+)\/[A-Za-z0-9\-.]{1,64}(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/;
const absolute = /^https?:\/\/[^?#]*\/([A-Za-z]+)\/[A-Za-z0-9\-.]{1,64}(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/;
const conditional = /^([A-Za-z]+)\?./;
const anyScheme = /^[A-Za-z][A-Za-z0-9+.-]*:/;

/**
 * Checks where a Reference points (https://hl7.org/fhir/R4/references.html): the shape of a relative one, a contained
 * one that is there (rule ref-1), and a type that the element allows.
 */
export function checkReference(
  visit: Visit,
  element: ElementPlan,
  value: Readonly<Record<string, unknown>>,
  at: string,
) {
  const { reference, type: stated } = value;
  if (reference !== undefined && typeof reference !== "string") return;
  const found = reference === undefined ? undefined : typeOfTarget(visit, reference, at);
  if (found === false) return;
  if (typeof stated === "string") checkStatedType(visit, stated, found, at);
  const type = found ?? (typeof stated === "string" && isResourceName(stated) ? stated : undefined);
  if (type === undefined || element.targets === undefined || element.targets.has(type)) return;
  const allowed = [...element.targets].join(", ");
  valueFault(visit, at, `A reference to ${type} is not allowed here. Point to one of: ${allowed}.`);
}

/** The type that a reference names; undefined when it names none, false when the fault has been told. */
function typeOfTarget(visit: Visit, reference: string, at: string): string | undefined | false {
  if (reference.startsWith("#")) return typeOfContained(visit, reference.slice(1), at);
  const type = (relative.exec(reference) ?? conditional.exec(reference))?.[1];
  if (type !== undefined) {
    if (isResourceName(type)) return type;
    valueFault(visit, `${at}.reference`, `R4 has no resource type ${type.slice(0, 64)}.`);
    return false;
  }
  const elsewhere = absolute.exec(reference)?.[1];
  if (elsewhere !== undefined) return isResourceName(elsewhere) ? elsewhere : undefined;
  if (anyScheme.test(reference)) return undefined;
  valueFault(visit, `${at}.reference`, "A reference is Type/id, #id of a contained resource, or an absolute address.");
  return false;
}

function typeOfContained(visit: Visit, id: string, at: string): string | undefined | false {
  visit.pointedTo.add(id);
  if (id === "") {
    visit.pointOut.add(visit.containedIndex);
    const around = visit.root.resourceType;
    return typeof around === "string" ? around : undefined;
  }
  const type = visit.contained.get(id);
  if (type !== undefined) return isResourceName(type) ? type : undefined;
  const detail = `Constraint ref-1 not met: no contained resource has the id "${id.slice(0, 64)}". Contain it, or point elsewhere.`;
  visit.errors.push({ kind: "invariant", detail, at: `${at}.reference`, status: 422 });
  return false;
}

/** "If both are populated, both SHALL be consistent"; a type that R4 does not have is told by its binding. */
function checkStatedType(visit: Visit, stated: string, found: string | undefined, at: string): void {
  if (found === undefined || stated.replace("http://hl7.org/fhir/StructureDefinition/", "") === found) return;
  const detail = `The reference points to ${found}, its type says ${stated.slice(0, 64)}. Make them agree.`;
  valueFault(visit, `${at}.type`, detail);
}

/** Notes what a canonical, uri or url points to among the contained resources; a canonical must point to one that is there. */
export function checkFragment(visit: Visit, type: string, value: string, at: string): void {
  const id = value.slice(1);
  visit.pointedTo.add(id);
  if (id === "") visit.pointOut.add(visit.containedIndex);
  else if (type === "canonical" && !visit.contained.has(id)) {
    const detail = `No contained resource has the id "${id.slice(0, 64)}". Contain it, or give the canonical address.`;
    valueFault(visit, at, detail);
  }
}
