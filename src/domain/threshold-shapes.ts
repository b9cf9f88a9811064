import { nameLikeness } from "./name-likeness.ts";
import type { Refusal } from "./result.ts";

/** Says what is wrong with a value that came from outside; an empty list when nothing is. `at` is where it stands. */
export type ShapeCheck = (value: unknown, at: string) => readonly Refusal[];

/** What a shape allows, in words, and its check. */
export interface Shape {
  /** For people: `a whole number from 1 to 365`. */
  readonly allowed: string;
  readonly check: ShapeCheck;
}

/** One refusal of a value. */
export function wrong(detail: string, at: string): Refusal[] {
  return [{ kind: "value", detail, at }];
}

/** A whole number in `[lowest, highest]`. */
export function wholeNumber(lowest: number, highest: number): Shape {
  return shape(`a whole number from ${lowest} to ${highest}`, (value) => {
    return typeof value === "number" && Number.isInteger(value) && value >= lowest && value <= highest;
  });
}

/** A number in `[lowest, highest]`. */
export function numberFrom(lowest: number, highest: number): Shape {
  return shape(`a number from ${lowest} to ${highest}`, (value) => {
    return typeof value === "number" && value >= lowest && value <= highest;
  });
}

/** A number in `(0, highest]`. */
export function numberAboveZero(highest: number): Shape {
  return shape(`a number above 0 up to ${highest}`, (value) => {
    return typeof value === "number" && value > 0 && value <= highest;
  });
}

/** A share of the whole: nothing of it is none. */
export const share: Shape = numberAboveZero(1);

/** True or false. */
export const yesOrNo: Shape = shape("true or false", (value) => typeof value === "boolean");

/** One of these words. */
export function oneOf(words: readonly string[]): Shape {
  return shape(`one of ${words.join(", ")}`, (value) => words.includes(value as string));
}

/** Text of this length that can be stored: no U+0000, no half of a surrogate pair; blanks at its ends do not count. */
export function text(shortest: number, longest: number): Shape {
  return shape(`text of ${shortest} to ${longest} characters`, (value) => {
    if (typeof value !== "string" || value.includes("\u0000") || !value.isWellFormed()) return false;
    return value.trim().length >= shortest && value.length <= longest;
  });
}

/** Text that fits this pattern as a whole. */
export function textLike(pattern: RegExp, allowed: string): Shape {
  return shape(allowed, (value) => typeof value === "string" && pattern.test(value));
}

/** A list of at most `most` of this shape. */
export function listOf(item: Shape, most: number): Shape {
  const allowed = `a list of at most ${most}, each ${item.allowed}`;
  return {
    allowed,
    check: (value, at) => {
      if (!Array.isArray(value) || value.length > most) return wrong(`Send a list of at most ${most}.`, at);
      return value.flatMap((one, i) => item.check(one, `${at}[${i}]`));
    },
  };
}

/** How many unknown names of one object are answered: one slip deserves a suggestion, a flood of them does not. */
const mostUnknownNames = 5;

/** An object with all of `required`, any of `optional`, and nothing else. */
export function objectOf(
  allowed: string,
  required: Readonly<Record<string, Shape>>,
  optional: Readonly<Record<string, Shape>> = {},
): Shape {
  const shapes = new Map([...Object.entries(required), ...Object.entries(optional)]);
  return {
    allowed,
    check: (value, at) => {
      if (!isObject(value)) return wrong(`Send an object: ${allowed}.`, at);
      const missing = Object.keys(required).filter((name) => !Object.hasOwn(value, name));
      return [
        ...missing.flatMap((name) => {
          const detail = `"${name}" is missing: give ${shapes.get(name)?.allowed}.`;
          return [{ kind: "required", detail, at: `${at}.${name}` } as const];
        }),
        ...unknownNames(value, [...shapes.keys()], at),
        ...[...shapes].flatMap(([name, known]) =>
          Object.hasOwn(value, name) ? known.check(value[name], `${at}.${name}`) : [],
        ),
      ];
    },
  };
}

/** Refusals of the first few names of an object that are not among the known ones. */
export function unknownNames(value: object, known: readonly string[], at: string): readonly Refusal[] {
  return Object.keys(value)
    .filter((name) => !known.includes(name))
    .slice(0, mostUnknownNames)
    .flatMap((name) => wrong(unknownName(name, known), `${at}.${name.slice(0, 80)}`));
}

/** Whether a value is an object with names, which a list is not. */
export function isObject(value: unknown): value is Readonly<Record<string, unknown>> {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

/** From here on two names are alike enough that one may be meant by the other; tried on slips of one or two letters. */
const alikeFrom = 0.85;

/** What to say of a name that nobody knows: the nearest known one where there is one, else all of them. */
export function unknownName(name: string, known: readonly string[]): string {
  const shown = `"${name.slice(0, 80)}"`;
  const [nearest] = [...known]
    .map((one) => ({ one, likeness: nameLikeness(one.toLowerCase(), name.slice(0, 80).toLowerCase()) }))
    .sort((a, b) => b.likeness - a.likeness);
  if (nearest !== undefined && nearest.likeness >= alikeFrom) {
    return `${shown} is not known here. Write "${nearest.one}" if that is what is meant, or leave it out.`;
  }
  return `${shown} is not known here. Leave it out, or use one of: ${known.join(", ")}.`;
}

function shape(allowed: string, fits: (value: unknown) => boolean): Shape {
  return { allowed, check: (value, at) => (fits(value) ? [] : wrong(`Give ${allowed}.`, at)) };
}
