import type { Resource } from "@medplum/fhirtypes";
import { type Atom, type PathStep, valuesAlong } from "./atoms.ts";
import type { QuantityEntry } from "./index-values.ts";
import type { Parameter } from "./parameter.ts";
import type { ParameterKind } from "./parameter-kind.ts";
import { quantitiesOf } from "./quantity.ts";
import { tokensOf } from "./token.ts";
import { urisOf } from "./uri.ts";

/** A part of a composite below its root; without steps it is read from the resource (`%resource.…`). */
interface PlacedPart {
  readonly kind: ParameterKind;
  readonly atom: Atom;
  readonly below?: readonly PathStep[];
}

/** The elements of one type that composites look into, each once. */
export interface PlacePlan {
  readonly roots: readonly { readonly steps: readonly PathStep[]; readonly parts: readonly PlacedPart[] }[];
  /** Atoms whose values are read element by element here, and nowhere else. */
  readonly keys: ReadonlySet<string>;
}

/** The most elements that are told apart; later ones count as the last, so a composite may find too much of them and never too little. */
const mostPlaces = 32_767;

/** Collects the roots that the composites of a type share, and the parts asked for below each. */
export function placePlan(parameters: readonly Parameter[]): PlacePlan {
  const parts = new Map<string, Map<string, PlacedPart>>();
  for (const root of parameters.flatMap((parameter) => parameter.roots)) {
    if (root.whole) continue;
    const known = parts.get(root.path) ?? new Map<string, PlacedPart>();
    parts.set(root.path, known);
    for (const { kind, atoms } of root.parts) {
      for (const atom of atoms) known.set(atom.key, placedPart(root.path, kind, atom));
    }
  }
  const roots = [...parts].map(([path, known]) => ({ steps: stepsTo(path, known), parts: [...known.values()] }));
  const below = roots.flatMap((root) => root.parts.filter((part) => part.below !== undefined));
  return { roots, keys: new Set(below.map(({ atom }) => atom.key)) };
}

function placedPart(path: string, kind: ParameterKind, atom: Atom): PlacedPart {
  const below = atom.steps.filter((step) => step.path.startsWith(`${path}.`));
  return below.length === 0 ? { kind, atom } : { kind, atom, below };
}

/** The steps down to a root are the first of any part that lies below it. */
function stepsTo(path: string, parts: ReadonlyMap<string, PlacedPart>): readonly PathStep[] {
  const inside = [...parts.values()].find((part) => part.below !== undefined);
  return inside?.atom.steps.filter((step) => path === step.path || path.startsWith(`${step.path}.`)) ?? [];
}

/** Quantities with their places, the terms, and the terms of each place where any root repeats. */
export function placedValues(
  plan: PlacePlan,
  resource: Resource,
  referencesOf: (value: unknown, key: string) => readonly string[],
): { readonly quantities: QuantityEntry[]; readonly terms: string[]; readonly placeTerms: string[] } {
  const quantities: QuantityEntry[] = [];
  const terms: string[] = [];
  const placeTerms = new Set<string>();
  const found = plan.roots.map(({ steps, parts }) => ({ elements: valuesAlong(steps, resource), parts }));
  const repeats = found.some(({ elements }) => elements.length > 1);
  for (const { elements, parts } of found) {
    elements.forEach((element, i) => {
      const place = Math.min(i, mostPlaces);
      for (const { kind, atom, below } of parts) {
        const values = below === undefined ? atom.read(resource) : valuesAlong(below, element);
        if (kind === "quantity" || kind === "number") {
          for (const value of values)
            for (const entry of quantitiesOf(value, atom.key)) quantities.push(repeats ? { ...entry, place } : entry);
        } else {
          for (const term of termsOf(kind, values, atom.key, referencesOf)) {
            if (below !== undefined) terms.push(term);
            if (repeats) placeTerms.add(atPlace(term, place));
          }
        }
      }
    });
  }
  return { quantities, terms, placeTerms: [...placeTerms] };
}

function termsOf(
  kind: ParameterKind,
  values: readonly unknown[],
  key: string,
  referencesOf: (value: unknown, key: string) => readonly string[],
): readonly string[] {
  if (kind === "reference") return values.flatMap((value) => referencesOf(value, key));
  if (kind === "uri") return values.flatMap((value) => urisOf(value, key));
  return values.flatMap((value) => tokensOf(value, key));
}

/** A term xored with a place; the store does the same with `#`. */
function atPlace(term: string, place: number): string {
  return place === 0 ? term : (BigInt(term) ^ BigInt(place)).toString();
}
