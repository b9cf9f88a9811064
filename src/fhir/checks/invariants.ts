import {
  type Constraint,
  evalFhirPathTyped,
  type FhirPathAtom,
  parseFhirPath,
  type TypedValue,
  toTypedValue,
} from "@medplum/core";
import { ucumSystem } from "../search/ucum.ts";
import { plainRules } from "./plain-rules.ts";

/** One invariant of R4, ready to be asked. */
export interface Invariant {
  readonly key: string;
  readonly human: string;
  /** Whether it holds for a value of the type; an expression that cannot be evaluated holds for nothing. */
  holds(value: object, type: string, around: { readonly resource: object; readonly root: object }): boolean;
}

/**
 * Asked elsewhere in the walk: ele-1 as empty members, dom-3 and ref-1 where references are followed, txt-1 and txt-2
 * where the narrative is read. sdf-19 speaks of the specification's own models and refuses logical models that R4 allows.
 */
const askedElsewhere = new Set(["ele-1", "dom-3", "ref-1", "txt-1", "txt-2", "sdf-19"]);

const made = new Map<string, Invariant>();

/** The invariants among constraints whose breach is an error, each once. */
export function invariantsOf(constraints: readonly Constraint[]): readonly Invariant[] {
  const found = new Map<string, Invariant>();
  for (const one of constraints) {
    if (one.severity !== "error" || askedElsewhere.has(one.key)) continue;
    const name = `${one.key} ${one.expression}`;
    const invariant = made.get(name) ?? invariantOf(one);
    made.set(name, invariant);
    found.set(one.key, invariant);
  }
  return [...found.values()];
}

function invariantOf(constraint: Constraint): Invariant {
  const plain = plainRules[constraint.key];
  let atom: FhirPathAtom | undefined;
  const isTrue: Invariant["holds"] = (value, type, around) => {
    const typed = { type, value };
    const variables: Record<string, TypedValue> = {
      "%context": typed,
      "%resource": toTypedValue(around.resource),
      "%rootResource": toTypedValue(around.root),
      "%ucum": toTypedValue(ucumSystem),
    };
    try {
      atom ??= parseFhirPath(constraint.expression);
      const answer = evalFhirPathTyped(atom, [typed], variables);
      return answer.length === 1 && answer[0]?.value === true;
    } catch {
      return false;
    }
  };
  return {
    key: constraint.key,
    human: constraint.description,
    holds(value, type, around) {
      const known = plain?.(value as Record<string, unknown>);
      if (known !== undefined) return known;
      if (isTrue(value, type, around)) return true;
      // The engine takes a string that has extensions beside it for no string; without them it is one.
      const [bare, resource, root] = [withoutExtras(value), withoutExtras(around.resource), withoutExtras(around.root)];
      const isSame = bare === value && resource === around.resource && root === around.root;
      return !isSame && isTrue(bare, type, { resource, root });
    },
  };
}

/** A value without the ids and extensions beside primitives that are there; the same object where there are none. */
function withoutExtras<T>(value: T): T {
  if (typeof value !== "object" || value === null) return value;
  if (Array.isArray(value)) {
    const made = value.map(withoutExtras);
    return made.every((one, i) => one === value[i]) ? value : (made as T);
  }
  const members = value as Readonly<Record<string, unknown>>;
  const made: Record<string, unknown> = {};
  let isSame = true;
  for (const [key, one] of Object.entries(members)) {
    const beside = key.startsWith("_") ? members[key.slice(1)] : undefined;
    const isExtra = beside !== undefined && !(Array.isArray(beside) && beside.includes(null));
    if (!isExtra) made[key] = withoutExtras(one);
    isSame &&= !isExtra && made[key] === one;
  }
  return isSame ? value : (made as T);
}
