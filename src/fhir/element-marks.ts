import type { ElementDefinition } from "@medplum/fhirtypes";
import { structureOf } from "./r4/structures.ts";

/** One JSON member that a summary keeps. */
export interface MarkedElement {
  /** Name of the element: `value` for `valueQuantity`. */
  readonly name: string;
  /** Where the marks of its own elements stand: a path within the resource, or a data type. */
  readonly inside: string;
  readonly isSummary: boolean;
  readonly isModifier: boolean;
  readonly isMandatory: boolean;
}

/** The marked members of a path (`Observation`, `Observation.component`) or data type, by their name in JSON. */
const marks = new Map<string, Map<string, MarkedElement>>();

/** Types whose marks are taken. */
const taken = new Set<string>();

/**
 * The elements of a path or data type that R4 marks as summary (Σ) or modifier (?!) or makes mandatory, by their names in
 * JSON (https://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.isSummary); undefined where there are
 * none, as for primitives. A type is read when it is first asked for: `@medplum/core` keeps the first of these marks only,
 * and for whole types only.
 */
export function marksOf(path: string): ReadonlyMap<string, MarkedElement> | undefined {
  const known = marks.get(path);
  if (known !== undefined) return known;
  const [type = ""] = path.split(".", 1);
  if (taken.has(type)) return undefined;
  const structure = structureOf(type);
  // Names that R4 does not have come from clients, and are not kept.
  if (structure === undefined || structure.derivation === "constraint") return undefined;
  taken.add(type);
  for (const element of structure.snapshot?.element ?? []) mark(element);
  return marks.get(path);
}

function mark(element: ElementDefinition): void {
  const { path } = element;
  const end = path?.lastIndexOf(".") ?? -1;
  const [isSummary, isModifier, isMandatory] = [
    element.isSummary === true,
    element.isModifier === true,
    (element.min ?? 0) > 0,
  ];
  if (path === undefined || end < 0 || !(isSummary || isModifier || isMandatory)) return;
  const name = path.slice(end + 1).replace("[x]", "");
  const members = membersOf(path.slice(0, end));
  for (const { code = "" } of element.type ?? [{ code: "" }]) {
    const key = path.endsWith("[x]") ? name + code.charAt(0).toUpperCase() + code.slice(1) : name;
    members.set(key, { name, inside: insideOf(element, code), isSummary, isModifier, isMandatory });
  }
}

function membersOf(path: string): Map<string, MarkedElement> {
  const known = marks.get(path);
  if (known !== undefined) return known;
  const made = new Map<string, MarkedElement>();
  marks.set(path, made);
  return made;
}

function insideOf(element: ElementDefinition, code: string): string {
  if (element.contentReference !== undefined) return element.contentReference.replace(/^.*#/, "");
  return code === "BackboneElement" || code === "Element" ? (element.path ?? "") : code;
}
