import { createHash } from "node:crypto";
import { evalFhirPathTyped, type TypedValue, toTypedValue } from "@medplum/core";
import type { Resource } from "@medplum/fhirtypes";
import type { Definitions } from "../../../src/fhir/definitions.ts";
import { localTarget, referencesIn } from "../../../src/fhir/references.ts";
import { datesOf } from "../../../src/fhir/search/date.ts";
import { isHotDate, isHotPatient } from "../../../src/fhir/search/extract.ts";
import type { IndexValues } from "../../../src/fhir/search/index-values.ts";
import type { Parameter } from "../../../src/fhir/search/parameter.ts";
import { quantitiesOf } from "../../../src/fhir/search/quantity.ts";
import { stringsOf } from "../../../src/fhir/search/string.ts";

type Members = Readonly<Record<string, unknown>>;

/** What extraction must give, in any order; a quantity is written as text. */
export type PlainValues = Omit<Record<keyof IndexValues, readonly string[]>, "hot"> & Pick<IndexValues, "hot">;

const hash = (text: string) => createHash("sha256").update(text).digest().readBigInt64BE(0);

/** Terms of a code, Coding, CodeableConcept, Identifier or ContactPoint: spelled out anew, nothing kept. */
function tokens(value: unknown, key: string): string[] {
  const term = (text: string) => String(hash(`${key}\n${text}`));
  if (typeof value === "string" || typeof value === "boolean")
    return [term(`code\n${value}`), term(`token\n\n${value}`)];
  const one = value as Members & { coding?: unknown[]; type?: { coding?: Members[] } };
  if (one.coding !== undefined) return one.coding.flatMap((coding) => tokens(coding, key));
  const code = one.code ?? one.value;
  const system = one.system === undefined ? [] : [term(`system\n${one.system}`)];
  if (typeof code !== "string") return system;
  const typed = (one.type?.coding ?? []).filter((type) => type.code !== undefined);
  const ofType = typed.map((type) => term(`of-type\n${type.system ?? ""}\n${type.code}\n${code}`));
  return [term(`code\n${code}`), term(`token\n${one.system ?? ""}\n${code}`), ...system, ...ofType];
}

function references(value: unknown, key: string, local: (text: string) => string): string[] {
  const term = (text: string) => String(hash(`${key}\nreference\n${local(text).replace(/\/_history\/[^/]+$/, "")}`));
  if (typeof value === "string")
    return value.includes("|") ? [term(value), term(value.split("|")[0] ?? "")] : [term(value)];
  const { reference, identifier } = value as { reference?: string; identifier?: Members };
  const literal = reference === undefined ? [] : [term(reference)];
  if (identifier?.value === undefined) return literal;
  const named = `${key}\nidentifier`;
  const { system = "", value: text } = identifier;
  return [...literal, String(hash(`${named}\ntoken\n${system}\n${text}`)), String(hash(`${named}\ncode\n${text}`))];
}

function uris(value: unknown, key: string): string[] {
  const term = (text: string) => String(hash(`${key}\nuri\n${text}`));
  if (typeof value !== "string") return [];
  return value.includes("|") ? [term(value), term(value.split("|")[0] ?? "")] : [term(value)];
}

/** The values at an operand, read by @medplum/core's FHIRPath and by nothing of ours. */
function read(expression: string, on: TypedValue): unknown[] {
  // The library has nothing to resolve a reference with: the filter is asked of what the reference itself says.
  const [, path = expression, target] = /^(.*)\.where\(resolve\(\) is (\w+)\)$/.exec(expression) ?? [];
  // The library's as() keeps values of every type; FHIRPath has it keep what ofType() keeps.
  const values = evalFhirPathTyped(path.replace(/\.as\(/, ".ofType("), [on]).map((one) => one.value as unknown);
  if (target === undefined) return values;
  return values.filter((value) => {
    const { reference, type } = value as { reference?: string; type?: string };
    return reference === undefined ? type === target : new RegExp(`(^|/)${target}/`).test(reference);
  });
}

/** Extracts as the definitions read, one parameter after another, with every path interpreted and every term hashed anew. */
export function interpretedValues(definitions: Definitions, resource: Resource): PlainValues {
  const type = resource.resourceType;
  const whole = toTypedValue(resource);
  const into = {
    terms: new Set<string>(),
    strings: new Set<string>(),
    dates: new Set<string>(),
    quantities: [] as string[],
  };
  const placeTerms = new Set<string>();
  const hot: { patientId?: string; startMs?: number; endMs?: number } = {};
  const parameters = [...definitions.parameters(type).values()];
  const inPlaces = placedKeys(parameters);
  const doneQuantities = new Set<string>();
  const take = (kind: string, key: string, values: readonly unknown[]) => {
    if (kind === "quantity" || kind === "number") {
      // Parameters that share an operand share its entries.
      if (!doneQuantities.has(key))
        into.quantities.push(...values.flatMap((one) => quantitiesOf(one, key)).map(written));
      doneQuantities.add(key);
    } else if (kind === "string")
      for (const one of values.flatMap((each) => stringsOf(each, key))) into.strings.add(written(one));
    else if (kind === "date")
      for (const one of values.flatMap((each) => datesOf(each, key))) into.dates.add(written(one));
    else for (const term of termsOf(kind, key, values, definitions.local)) into.terms.add(term);
  };
  for (const parameter of parameters) {
    for (const { kind, atoms } of [parameter, ...parameter.roots.flatMap((root) => root.parts)]) {
      for (const { key, text } of atoms) {
        const values = read(text, whole);
        if (values.length > 0) into.terms.add(String(hash(`${key}\npresent`)));
        if (inPlaces.has(key)) continue;
        const isHotTime = kind === "date" && isHotDate(type, parameter) && values.length > 0;
        if (isHotTime) {
          const ranges = values.flatMap((one) => datesOf(one, key));
          if (ranges.length > 0) hot.startMs = Math.min(...ranges.map((one) => one.lowMs));
          if (ranges.length > 0) hot.endMs = Math.max(...ranges.map((one) => one.highMs));
        } else take(kind, key, values);
        const target = isHotPatient(parameter)
          ? localTarget(definitions.local(String((values[0] as Members)?.reference)))
          : undefined;
        if (target?.type === "Patient") hot.patientId = target.id;
      }
    }
  }
  for (const { reference } of referencesIn(resource)) {
    const target = localTarget(definitions.local(reference));
    if (target !== undefined) into.terms.add(String(hash(`anywhere\nreference\n${target.type}/${target.id}`)));
  }
  addPlaces(definitions, resource, parameters, { ...into, placeTerms });
  if (type === "Patient" && resource.id !== undefined) hot.patientId = resource.id;
  return { ...sortedValues({ ...into, placeTerms }), hot };
}

function termsOf(kind: string, key: string, values: readonly unknown[], local: (text: string) => string): string[] {
  if (kind === "reference") return values.flatMap((one) => references(one, key, local));
  return values.flatMap((one) => (kind === "uri" ? uris(one, key) : tokens(one, key)));
}

/** The parts of composites that lie below an element of the resource, each once by its element and key. */
function partsByRoot(parameters: readonly Parameter[]) {
  const parts = parameters.flatMap(({ roots }) =>
    roots
      .filter((root) => !root.whole)
      .flatMap((root) =>
        root.parts.flatMap(({ kind, atoms }) => atoms.map((atom) => ({ root: root.path, kind, ...atom }))),
      ),
  );
  const byRoot = new Map<string, Map<string, (typeof parts)[number]>>();
  for (const part of parts) byRoot.set(part.root, (byRoot.get(part.root) ?? new Map()).set(part.key, part));
  return byRoot;
}

const isBelow = ({ root, text }: { root: string; text: string }) => text.replace("(", "").startsWith(`${root}.`);

function placedKeys(parameters: readonly Parameter[]): Set<string> {
  return new Set(
    [...partsByRoot(parameters).values()].flatMap((parts) => [...parts.values()].filter(isBelow).map((one) => one.key)),
  );
}

interface Into {
  readonly terms: Set<string>;
  readonly quantities: string[];
  readonly placeTerms: Set<string>;
}

function addPlaces(definitions: Definitions, resource: Resource, parameters: readonly Parameter[], into: Into): void {
  const whole = toTypedValue(resource);
  const roots = [...partsByRoot(parameters)].map(([path, parts]) => ({
    path,
    parts,
    elements: evalFhirPathTyped(path, [whole]),
  }));
  const repeats = roots.some(({ elements }) => elements.length > 1);
  for (const { path, parts, elements } of roots) {
    for (const [place, element] of elements.entries()) {
      for (const part of parts.values()) {
        const { kind, key, text } = part;
        const values = isBelow(part) ? read(text.replace(`${path}.`, ""), element) : read(text, whole);
        if (kind === "quantity" || kind === "number") {
          const entries = values.flatMap((one) => quantitiesOf(one, key));
          into.quantities.push(...entries.map((one) => written(repeats ? { ...one, place } : one)));
          continue;
        }
        for (const term of termsOf(kind, key, values, definitions.local)) {
          if (isBelow(part)) into.terms.add(term);
          if (repeats) into.placeTerms.add(String(BigInt(term) ^ BigInt(place)));
        }
      }
    }
  }
}

/** Infinities are kept apart, which JSON would make null. */
function written(value: object): string {
  return JSON.stringify(value, (_key, one: unknown) => (typeof one === "number" ? String(one) : one));
}

/** Extracted values in an order of their own, to compare; strings and dates of parameters that share an operand count once. */
export function sortedValues(
  values: {
    readonly [name in "terms" | "strings" | "dates" | "quantities" | "placeTerms"]: Iterable<string | object>;
  },
): Omit<PlainValues, "hot"> {
  const texts = (some: Iterable<string | object>) =>
    [...some].map((one) => (typeof one === "string" ? one : written(one))).sort();
  const { terms, strings, dates, quantities, placeTerms } = values;
  return {
    ...{ terms: texts(terms), placeTerms: texts(placeTerms), quantities: texts(quantities) },
    ...{ strings: texts(new Set(texts(strings))), dates: texts(new Set(texts(dates))) },
  };
}
