import { tryGetDataType } from "@medplum/core";
import { resourceTypes } from "../definitions.ts";

/** One element of a type as R4 defines it. */
export interface ElementShape {
  /** Its name in FHIRPath: `value` for what is `value[x]` in the definition. */
  readonly name: string;
  readonly isArray: boolean;
  readonly isChoice: boolean;
  /** Codes of the data types it may have; a backbone element has one of its own, such as `PatientContact`. */
  readonly types: readonly string[];
}

/** The element of that name; undefined where R4's type has none. Names of JSON members such as valueQuantity are none. */
export function elementOf(type: string, name: string): ElementShape | undefined {
  // Answers at once when they are loaded.
  resourceTypes();
  const elements = tryGetDataType(type)?.elements ?? {};
  const isChoice = Object.hasOwn(elements, `${name}[x]`);
  const found = isChoice ? elements[`${name}[x]`] : Object.hasOwn(elements, name) ? elements[name] : undefined;
  if (found === undefined || name.endsWith("[x]")) return undefined;
  return { name, isArray: found.isArray === true, isChoice, types: found.type.map((one) => one.code) };
}

/** The JSON member of an element holding that type: `valueQuantity` for a choice, else the element's name. */
export function memberOf(element: ElementShape, type: string): string {
  return element.isChoice ? element.name + capital(type) : element.name;
}

/** A type's name as it ends the name of a choice member. */
export function capital(type: string): string {
  return type.slice(0, 1).toUpperCase() + type.slice(1);
}

/** Primitive types begin with a small letter; their ids and extensions stand beside them, in `_name`. */
export function isPrimitive(type: string): boolean {
  return /^[a-z]/.test(type);
}
