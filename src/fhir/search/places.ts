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
export interface Placed {
  readonly quantities: QuantityEntry[];
  readonly terms: Set<string>;
  readonly placeTerms: Set<string>;
}

/** What the elements of the roots answer to, each with its place where any root repeats; added to what is there already. */
export function placedValues(
  plan: PlacePlan,
  resource: Resource,
  referencesOf: (value: unknown, key: string) => readonly string[],
  into: Placed = { quantities: [], terms: new Set(), placeTerms: new Set() },
): Placed {
  const found = plan.roots.map(({ steps, parts }) => ({ elements: valuesAlong(steps, resource), parts }));
  const repeats = found.some(({ elements }) => elements.length > 1);
  for (const { elements, parts } of found) {
    for (let i = 0; i < elements.length; i += 1) {
      const place = repeats ? Math.min(i, mostPlaces) : undefined;
      for (const part of parts) {
        const { below, atom } = part;
        const values = below === undefined ? atom.read(resource) : valuesAlong(below, elements[i]);
        for (const value of values) addPlaced(part, value, place, referencesOf, into);
      }
    }
  }
  return into;
}

function addPlaced(
  { kind, atom, below }: PlacedPart,
  value: unknown,
  place: number | undefined,
  referencesOf: (value: unknown, key: string) => readonly string[],
  into: Placed,
): void {
  const { key } = atom;
  if (kind === "quantity" || kind === "number") {
    for (const entry of quantitiesOf(value, key)) {
      const { unit, low, high } = entry;
      into.quantities.push(place === undefined ? entry : { key, unit, low, high, place });
    }
    return;
  }
  const isToken = kind !== "reference" && kind !== "uri";
  const terms = isToken ? tokensOf(value, key) : kind === "uri" ? urisOf(value, key) : referencesOf(value, key);
  if (below !== undefined) for (const term of terms) into.terms.add(term);
  if (place === undefined) return;
  const placed = isToken ? knownAtPlace(terms, place) : terms.map((term) => atPlace(term, place));
  for (const term of placed) into.placeTerms.add(term);
}

/** Terms at their places: those of a coding that is met again are the same list, and keep theirs with it. */
const placedTerms = new WeakMap<readonly string[], Map<number, readonly string[]>>();
const mostKeptPlaces = 64;

function knownAtPlace(terms: readonly string[], place: number): readonly string[] {
  if (place === 0) return terms;
  let places = placedTerms.get(terms);
  const known = places?.get(place);
  if (known !== undefined) return known;
  const made = terms.map((term) => atPlace(term, place));
  if (place >= mostKeptPlaces) return made;
  if (places === undefined) {
    places = new Map();
    placedTerms.set(terms, places);
  }
  places.set(place, made);
  return made;
}

/** A term xored with a place; the store does the same with `#`. */
function atPlace(term: string, place: number): string {
  return (BigInt(term) ^ BigInt(place)).toString();
}
