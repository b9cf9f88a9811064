import type { Resource } from "@medplum/fhirtypes";

/** A literal reference in a resource, and where it stands. */
export interface FoundReference {
  readonly reference: string;
  /** FHIRPath of the element: `Task.for.reference`. */
  readonly at: string;
}

/**
 * Every literal reference of a resource, contained resources included; those inside a stored Bundle are its own affair
 * and point to its entries (https://hl7.org/fhir/R4/references.html#literal).
 */
export function referencesIn(resource: Resource): FoundReference[] {
  if (resource.resourceType === "Bundle") return [];
  const found: { reference: string; at: string }[] = [];
  collect(resource, found);
  for (const one of found) one.at = resource.resourceType + one.at;
  return found;
}

/** The same references without where they stand, in the same order: for those who only ask where they point. */
export function eachReference(resource: Resource, use: (reference: string) => void): void {
  if (resource.resourceType !== "Bundle") visit(resource, use);
}

function visit(value: object, use: (reference: string) => void): void {
  if (Array.isArray(value)) {
    for (const one of value as readonly unknown[]) if (typeof one === "object" && one !== null) visit(one, use);
    return;
  }
  const members = value as Readonly<Record<string, unknown>>;
  for (const name in members) {
    const one = members[name];
    if (typeof one === "string") {
      if (name === "reference") use(one);
    } else if (typeof one === "object" && one !== null) visit(one, use);
  }
}

/** Paths are put together on the way back, from what was found: most of a resource holds no reference. */
function collect(value: object, into: { reference: string; at: string }[]): void {
  if (Array.isArray(value)) {
    for (const [i, one] of value.entries()) {
      const before = into.length;
      if (typeof one === "object" && one !== null) collect(one as object, into);
      for (let k = before; k < into.length; k += 1) (into[k] as { at: string }).at = `[${i}]${into[k]?.at}`;
    }
    return;
  }
  const members = value as Readonly<Record<string, unknown>>;
  for (const name in members) {
    const one = members[name];
    const before = into.length;
    if (typeof one === "object" && one !== null) collect(one, into);
    else if (name === "reference" && typeof one === "string") into.push({ reference: one, at: "" });
    for (let k = before; k < into.length; k += 1) (into[k] as { at: string }).at = `.${name}${into[k]?.at}`;
  }
}

const literal = /^([A-Z][A-Za-z]+)\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/;

/** `Type/id` of a reference to something on this service; undefined for one that points elsewhere, inside, or is logical. */
export function localTarget(reference: string): { readonly type: string; readonly id: string } | undefined {
  const match = literal.exec(reference);
  return match === null ? undefined : { type: match[1] ?? "", id: match[2] ?? "" };
}

/** `Type?criteria` of a conditional reference (https://hl7.org/fhir/R4/http.html#trules); undefined for any other. */
export function conditionalTarget(reference: string): { readonly type: string; readonly text: string } | undefined {
  const match = /^([A-Z][A-Za-z]+)\?(.+)$/.exec(reference);
  return match === null ? undefined : { type: match[1] ?? "", text: match[2] ?? "" };
}
