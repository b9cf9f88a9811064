import { checkBinding } from "./bindings.ts";
import { mostFindings, structureFault, type Visit, valueFault } from "./findings.ts";
import { formatFault, jsonTypeOf } from "./formats.ts";
import type { Invariant } from "./invariants.ts";
import { narrativeFault } from "./narrative.ts";
import { checkFragment, checkReference } from "./references.ts";
import { type ElementPlan, isResourceName, planOf, type TypePlan } from "./type-plan.ts";

type Members = Record<string, unknown>;

/**
 * Walks a whole resource along the R4 definitions of its type and notes in the visit everything they forbid: unknown
 * members, cardinality, data types, formats, bindings, references, narrative and invariants. `type` is one R4 has.
 */
export function walkResource(visit: Visit, resource: Members, type: string, at: string): void {
  const plan = planOf(type);
  if (plan === undefined) {
    structureFault(visit, at, `R4 has no resource type ${type.slice(0, 64)}.`);
    return;
  }
  const before = visit.errors.length;
  walkMembers(visit, plan, resource, { at, resource, isResource: true });
  if (isShaped(visit, before)) ask(visit, plan.invariants, resource, type, { at, resource, isResource: true });
}

/** Where the walk is: the path of the object, and the resource (or contained resource) around it. */
interface Place {
  readonly at: string;
  readonly resource: Members;
  readonly isResource: boolean;
}

/** Invariants are asked of what has the right shape only: others would repeat what has been told. */
function isShaped(visit: Visit, before: number): boolean {
  for (let i = before; i < visit.errors.length; i += 1) {
    const kind = visit.errors[i]?.kind;
    if (kind === "structure" || kind === "required") return false;
  }
  return true;
}

function ask(visit: Visit, invariants: readonly Invariant[], value: Members, type: string, place: Place): void {
  for (const invariant of invariants) {
    if (invariant.holds(value, type, { resource: place.resource, root: visit.root })) continue;
    const detail = `Constraint ${invariant.key} not met: ${invariant.human}`;
    visit.errors.push({ kind: "invariant", detail, at: place.at, status: 422 });
  }
}

function walkMembers(visit: Visit, plan: TypePlan, object: Members, place: Place): void {
  const { at } = place;
  let isEmpty = true;
  let choices: Map<string, string> | undefined;
  for (const key of Object.keys(object)) {
    if (visit.errors.length >= mostFindings) return;
    isEmpty = false;
    if (key === "resourceType" && place.isResource) continue;
    const isSibling = key.charCodeAt(0) === 95;
    const bare = isSibling ? key.slice(1) : key;
    const element = plan.elements.get(bare);
    if (element === undefined || (isSibling && element.kind !== "primitive")) {
      structureFault(
        visit,
        `${at}.${key}`,
        `R4 has no element ${key.slice(0, 64)} here. Leave it out, or use an extension.`,
      );
      continue;
    }
    const path = `${at}.${element.name}`;
    if (element.isChoice) {
      choices ??= new Map();
      const other = choices.get(element.name);
      if (other !== undefined && other !== bare) {
        structureFault(visit, path, `Only one type of ${element.name}[x] is allowed, not both ${other} and ${bare}.`);
      }
      choices.set(element.name, bare);
    }
    if (isSibling) walkSibling(visit, element, object, path, place);
    else walkElement(visit, element, object, path, place);
  }
  if (isEmpty) structureFault(visit, at, "An empty object is not allowed in FHIR. Leave the element out.");
  else requireElements(visit, plan, object, at);
}

function requireElements(visit: Visit, plan: TypePlan, object: Members, at: string): void {
  for (const { name, keys } of plan.required) {
    if (keys.some((key) => object[key] !== undefined || object[`_${key}`] !== undefined)) continue;
    const detail = `${name} is missing, R4 asks for it.`;
    visit.errors.push({ kind: "required", detail, at: `${at}.${name}`, status: 400 });
  }
}

function walkElement(visit: Visit, element: ElementPlan, object: Members, path: string, place: Place): void {
  const value = object[element.key];
  if (!element.isArray) {
    if (Array.isArray(value)) {
      structureFault(visit, path, "One value is allowed here, not a list.");
      return;
    }
    if (element.max === 0) {
      structureFault(visit, path, "This element is not allowed here.");
      return;
    }
    walkValue(visit, element, value, path, place);
    return;
  }
  if (!Array.isArray(value)) {
    structureFault(visit, path, "A list is asked for here: put the value in brackets.");
    return;
  }
  if (value.length === 0) {
    structureFault(visit, path, "An empty list is not allowed in FHIR. Leave it out.");
    return;
  }
  if (value.length > element.max) {
    structureFault(visit, path, `At most ${element.max} values are allowed here, not ${value.length}.`);
  }
  const siblings = element.kind === "primitive" ? object[`_${element.key}`] : undefined;
  for (const [i, one] of value.entries()) {
    if (visit.errors.length >= mostFindings) return;
    if (one === null && Array.isArray(siblings) && isObject(siblings[i])) continue;
    const inContained = element.kind === "resource" && element.key === "contained";
    if (inContained) visit.containedIndex = i;
    walkValue(visit, element, one, `${path}[${i}]`, place);
    if (inContained) visit.containedIndex = -1;
  }
}

function walkValue(visit: Visit, element: ElementPlan, value: unknown, path: string, place: Place): void {
  if (value === null || value === undefined) {
    structureFault(visit, path, "A null is not allowed here. Leave the element out.");
    return;
  }
  if (element.kind === "primitive") {
    walkPrimitive(visit, element, value, path);
    return;
  }
  if (!isObject(value)) {
    structureFault(visit, path, `An object is asked for here: ${element.type}.`);
    return;
  }
  if (element.kind === "resource") {
    walkInner(visit, element, value, path);
    return;
  }
  const plan = planOf(element.type);
  if (plan === undefined) throw new Error(`R4 type ${element.type} is not loaded`);
  const before = visit.errors.length;
  walkMembers(visit, plan, value, { ...place, at: path, isResource: false });
  if (element.type === "Reference") checkReference(visit, element, value, path);
  if (element.binding !== undefined) checkBinding(visit, element, value, path);
  if (element.invariants.length > 0 && isShaped(visit, before)) {
    ask(visit, element.invariants, value, element.type, { ...place, at: path });
  }
}

function walkInner(visit: Visit, element: ElementPlan, value: Members, path: string): void {
  const { resourceType: type, id } = value;
  const isKnown =
    typeof type === "string" && isResourceName(type) && (element.type === "Resource" || element.type === type);
  if (!isKnown) {
    structureFault(visit, `${path}.resourceType`, "A resource is asked for here: give its R4 resourceType.");
    return;
  }
  if (element.key === "contained" && id === undefined) {
    const detail = "A contained resource has an id, by which the resource around it points to it.";
    visit.errors.push({ kind: "required", detail, at: `${path}.id`, status: 400 });
  }
  walkResource(visit, value, type, path);
}

function walkPrimitive(visit: Visit, element: ElementPlan, value: unknown, path: string): void {
  const { type } = element;
  const fault = formatFault(type, value);
  if (fault !== undefined) {
    if (typeof value === jsonTypeOf(type)) valueFault(visit, path, fault);
    else structureFault(visit, path, fault);
    return;
  }
  if (typeof value !== "string") return;
  if (element.binding !== undefined) checkBinding(visit, element, value, path);
  if (type === "xhtml") {
    const broken = narrativeFault(value);
    if (broken !== undefined) visit.errors.push({ kind: "invariant", detail: broken, at: path, status: 422 });
  } else if (value.charCodeAt(0) === 35 && (type === "canonical" || type === "uri" || type === "url")) {
    checkFragment(visit, type, value, path);
  }
}

/** The id and extensions of a primitive, beside it under its name with an underscore (https://hl7.org/fhir/R4/json.html#primitive). */
function walkSibling(visit: Visit, element: ElementPlan, object: Members, path: string, place: Place): void {
  const sibling = object[`_${element.key}`];
  const value = object[element.key];
  if (!element.isArray) {
    walkExtras(visit, sibling, path, place);
    return;
  }
  if (!Array.isArray(sibling)) {
    structureFault(visit, path, `_${element.key} is a list, as ${element.key} is.`);
    return;
  }
  if (Array.isArray(value) && value.length !== sibling.length) {
    const detail = `_${element.key} has as many entries as ${element.key}: ${value.length}. Fill up with null.`;
    structureFault(visit, path, detail);
    return;
  }
  for (const [i, one] of sibling.entries()) {
    if (one !== null) walkExtras(visit, one, `${path}[${i}]`, place);
    else if (value === undefined) {
      structureFault(visit, `${path}[${i}]`, "A null stands where the other list has something, and nowhere else.");
    }
  }
}

function walkExtras(visit: Visit, extras: unknown, path: string, place: Place): void {
  const plan = planOf("Element");
  if (!isObject(extras) || plan === undefined) {
    structureFault(visit, path, "Beside a primitive stands an object with its id or extensions.");
    return;
  }
  walkMembers(visit, plan, extras, { ...place, at: path, isResource: false });
}

function isObject(value: unknown): value is Members {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}
