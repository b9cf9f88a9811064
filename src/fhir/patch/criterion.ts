import {
  AndAtom,
  ArithemticOperatorAtom,
  AsAtom,
  type Atom,
  ContainsAtom,
  DotAtom,
  EqualsAtom,
  EquivalentAtom,
  evalFhirPathTyped,
  FhirPathAtom,
  FunctionAtom,
  ImpliesAtom,
  InAtom,
  IndexerAtom,
  IsAtom,
  LiteralAtom,
  NotEqualsAtom,
  NotEquivalentAtom,
  OrAtom,
  SymbolAtom,
  type TypedValue,
  UnaryOperatorAtom,
  XorAtom,
} from "@medplum/core";

/** Operators whose cost grows with the text and the element only; a union compares each with each. */
const operators = [
  AndAtom,
  ArithemticOperatorAtom,
  AsAtom,
  ContainsAtom,
  DotAtom,
  EqualsAtom,
  EquivalentAtom,
  ImpliesAtom,
  InAtom,
  IndexerAtom,
  IsAtom,
  NotEqualsAtom,
  NotEquivalentAtom,
  OrAtom,
  XorAtom,
] as const;

/** Left out above all: `matches`, whose pattern may take for ever, and `resolve`, which leaves the resource. */
const functions = new Set([
  "all",
  "as",
  "contains",
  "count",
  "empty",
  "endsWith",
  "exists",
  "extension",
  "first",
  "hasValue",
  "is",
  "last",
  "length",
  "lower",
  "not",
  "ofType",
  "startsWith",
  "toString",
  "upper",
  "where",
]);

/** The first thing in a `where` criterion that is not taken here; undefined where all is. */
export function refusedIn(criterion: Atom): string | undefined {
  if (criterion instanceof LiteralAtom) return undefined;
  if (criterion instanceof SymbolAtom) {
    return /^%|^\$(?!this$)/.test(criterion.name) ? criterion.name : undefined;
  }
  if (criterion instanceof FunctionAtom) {
    if (!functions.has(criterion.name)) return `${criterion.name}()`;
    return firstRefused(criterion.args);
  }
  if (criterion instanceof IndexerAtom) return firstRefused([criterion.left, criterion.expr]);
  if (criterion instanceof UnaryOperatorAtom) return refusedIn(criterion.child);
  if (operators.some((operator) => criterion instanceof operator)) {
    const { left, right } = criterion as DotAtom;
    return firstRefused([left, right]);
  }
  return (criterion as { operator?: string }).operator ?? "an operator";
}

function firstRefused(atoms: readonly Atom[]): string | undefined {
  for (const atom of atoms) {
    const found = refusedIn(atom);
    if (found !== undefined) return found;
  }
  return undefined;
}

/** Whether a criterion is true of a value of that type; undefined where it cannot be evaluated. */
export function holds(criterion: Atom, type: string, value: unknown): boolean | undefined {
  const typed: TypedValue = { type, value: plain(value) };
  try {
    const [found, ...more] = evalFhirPathTyped(new FhirPathAtom("criterion", criterion), [typed], { $this: typed });
    return more.length === 0 && found?.value === true;
  } catch {
    return undefined;
  }
}

const plainTrees = new WeakMap<object, unknown>();

/** The tree with its numbers as JavaScript has them, to compute with. */
function plain(exact: unknown): unknown {
  if (typeof exact !== "object" || exact === null) return exact;
  const known = plainTrees.get(exact);
  if (known !== undefined) return known;
  const made: unknown = JSON.parse(JSON.stringify(exact));
  if (typeof made === "object" && made !== null) plainTrees.set(exact, made);
  return made;
}
