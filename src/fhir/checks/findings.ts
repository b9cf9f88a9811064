import type { Refusal } from "../../domain/result.ts";

/** How many findings are told of one resource: what is wrong beyond that shows once these are mended. */
export const mostFindings = 50;

/** The codes of a value set by system, each with its display; undefined when the set cannot be enumerated. */
export type CodesOf = (valueSetUrl: string) => ReadonlyMap<string, ReadonlyMap<string, string>> | undefined;

/** One walk through one resource: what it needs to know of the whole, and what it has found. */
export interface Visit {
  /** The resource as it was sent, which contained ones point into. */
  readonly root: Readonly<Record<string, unknown>>;
  /** Types of the contained resources by their id. */
  readonly contained: ReadonlyMap<string, string>;
  /** Ids of contained resources that something points to; "" for the resource around them. */
  readonly pointedTo: Set<string>;
  /** The contained resource whose inside is walked now, by its place; -1 outside of all. */
  containedIndex: number;
  /** Contained resources, by their place, that point to the resource around them. */
  readonly pointOut: Set<number>;
  readonly codesOf: CodesOf;
  readonly errors: Refusal[];
  /** Only asked for by `$validate`: a write has no use for them. */
  readonly warnings: Refusal[] | undefined;
}

/** Begins a walk through a resource. */
export function startVisit(
  root: Readonly<Record<string, unknown>>,
  codesOf: CodesOf,
  withWarnings?: "warnings",
): Visit {
  const contained = new Map<string, string>();
  if (Array.isArray(root.contained)) {
    for (const one of root.contained as ({ id?: unknown; resourceType?: unknown } | null)[]) {
      if (typeof one?.id === "string" && typeof one.resourceType === "string") contained.set(one.id, one.resourceType);
    }
  }
  return {
    root,
    contained,
    pointedTo: new Set(),
    containedIndex: -1,
    pointOut: new Set(),
    codesOf,
    errors: [],
    warnings: withWarnings === undefined ? undefined : [],
  };
}

/** JSON that is no FHIR: wrong shape, unknown members, nulls and empties (https://hl7.org/fhir/R4/json.html). */
export function structureFault(visit: Visit, at: string, detail: string): void {
  visit.errors.push({ kind: "structure", detail, at, status: 400 });
}

/** A value that its data type does not allow (https://hl7.org/fhir/R4/datatypes.html). */
export function valueFault(visit: Visit, at: string, detail: string): void {
  visit.errors.push({ kind: "value", detail, at, status: 400 });
}
