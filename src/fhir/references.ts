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

/** Paths are put together on the way back, from what was found: most of a resource holds no reference. */
function collect(value: object, into: { reference: string; at: string }[]): void {
  const members = value as Readonly<Record<string, unknown>>;
  for (const name in members) {
    const one = members[name];
    const before = into.length;
    if (typeof one === "object" && one !== null) collect(one, into);
    else if (name === "reference" && typeof one === "string") into.push({ reference: one, at: "" });
    if (into.length === before) continue;
    const step = Array.isArray(value) ? `[${name}]` : `.${name}`;
    for (const found of into.slice(before)) found.at = step + found.at;
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
