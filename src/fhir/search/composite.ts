import type { Atom } from "./atoms.ts";
import type { ParameterKind } from "./parameter-kind.ts";

/** One part of a composite parameter under one root: its operands, joined by OR. */
export interface CompositePart {
  readonly kind: ParameterKind;
  readonly atoms: readonly Atom[];
}

/**
 * The element whose parts a composite takes together (https://hl7.org/fhir/R4/search.html#combining): of
 * `component-code-value-quantity` each `Observation.component`. Where the root is the resource itself, its parts are
 * together anyway.
 */
export interface CompositeRoot {
  /** Path of the root: `Observation.component`. */
  readonly path: string;
  /** Whether the root is the resource itself. */
  readonly whole: boolean;
  readonly parts: readonly CompositePart[];
}

/** Puts the parts of a composite under each of its roots, spelled as the parameters that ask for them alone spell them. */
export function compositeRoots(
  type: string,
  roots: readonly string[],
  components: readonly { readonly kind: ParameterKind; readonly expression: string }[],
  atomOf: (type: string, kind: ParameterKind, operand: string) => Atom,
): readonly CompositeRoot[] {
  return roots.map((path) => ({
    path,
    whole: path === type,
    parts: components.map(({ kind, expression }) => ({
      kind,
      atoms: expression.split("|").map((relative) => atomOf(type, kind, operandUnder(type, path, relative.trim()))),
    })),
  }));
}

/** `value.as(Quantity)` under `Observation.component` is `(Observation.component.value as Quantity)`. */
function operandUnder(type: string, path: string, relative: string): string {
  if (relative.startsWith("%resource.")) return relative.replace("%resource", type);
  const cast = /^(\w+)\.as\((\w+)\)$/.exec(relative);
  if (cast === null) return `${path}.${relative}`;
  // R4 writes one of them as `DateTime`.
  const wanted = cast[2] === "DateTime" ? "dateTime" : cast[2];
  return `(${path}.${cast[1]} as ${wanted})`;
}
