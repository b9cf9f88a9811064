import type { Resource } from "@medplum/fhirtypes";
import type { Definitions } from "../definitions.ts";
import { eachReference, localTarget } from "../references.ts";
import { type Atom, hash64 } from "./atoms.ts";
import { datesOf } from "./date.ts";
import type { DateEntry, HotColumns, IndexValues, QuantityEntry, StringEntry } from "./index-values.ts";
import type { Parameter } from "./parameter.ts";
import { type PlacePlan, placedValues, placePlan } from "./places.ts";
import { quantitiesOf } from "./quantity.ts";
import { referencesOf, referralTerm } from "./reference.ts";
import { stringsOf } from "./string.ts";
import { tokensOf } from "./token.ts";
import { urisOf } from "./uri.ts";

/**
 * The date parameter of each type whose values stand in the hot columns instead of index rows. Several times of one
 * resource (a Timing with events) are kept there as the range from the first to the last.
 */
const hotDateParameters: Readonly<Record<string, string>> = {
  CarePlan: "date",
  DeviceUseStatement: "use-period",
  DiagnosticReport: "date",
  Encounter: "date",
  Flag: "date",
  Observation: "date",
  Procedure: "date",
  Task: "authored-on",
};

/** Operands that name the one patient a resource is about; their references are hot. */
const patientOperand = /^\w+\.(?:subject|patient|for|beneficiary)(?:\.where\(resolve\(\) is Patient\))?$/;

/** Whether this parameter's dates stand in the hot columns. */
export function isHotDate(type: string, parameter: Pick<Parameter, "code">): boolean {
  return hotDateParameters[type] === parameter.code;
}

/** Whether a reference to a Patient under this parameter is what the hot patient column holds. */
export function isHotPatient(parameter: Pick<Parameter, "single" | "atoms">): boolean {
  return parameter.single && patientOperand.test(parameter.atoms[0]?.text ?? "");
}

/** The term that says an atom has a value, for `:missing`. */
export function presenceTerm(atom: Atom): string {
  return hash64(`${atom.key}\npresent`);
}

/** What the plan keeps of a parameter. */
type PlannedParameter = Pick<Parameter, "code" | "kind" | "atoms" | "single">;

interface Collected {
  readonly terms: Set<string>;
  readonly strings: StringEntry[];
  readonly dates: DateEntry[];
  readonly quantities: QuantityEntry[];
  readonly placeTerms: Set<string>;
  readonly hot: { patientId?: string; startMs?: number; endMs?: number };
}

/** One plan per type: each atom once, however many parameters share it, with what to make of its values. */
interface Plan {
  readonly atoms: readonly {
    readonly atom: Atom;
    readonly presence: string;
    readonly takers: readonly ((values: readonly unknown[], into: Collected) => void)[];
  }[];
  readonly places: PlacePlan;
  readonly referencesOf: (value: unknown, key: string) => string[];
}

const plans = new WeakMap<Definitions, Map<string, Plan>>();

/**
 * Extracts everything that search asks of a resource, as its type's parameter definitions say. What the definitions say
 * is worked out once for each type; a session Observation then takes some 0.03 ms.
 */
export function extractIndexValues(definitions: Definitions, resource: Resource): IndexValues {
  const type = resource.resourceType;
  const collected = nothingYet();
  const plan = planOf(definitions, type);
  for (const { atom, presence, takers } of plan.atoms) {
    const values = atom.read(resource);
    if (values.length === 0) continue;
    collected.terms.add(presence);
    for (const take of takers) take(values, collected);
  }
  eachReference(resource, (reference) => {
    const target = localTarget(definitions.local(reference));
    if (target !== undefined) collected.terms.add(referralTerm(`${target.type}/${target.id}`));
  });
  placedValues(plan.places, resource, plan.referencesOf, collected);
  if (type === "Patient" && resource.id !== undefined) collected.hot.patientId = resource.id;
  const { terms, placeTerms, strings, dates, quantities, hot } = collected;
  return { terms: [...terms], strings, dates, quantities, placeTerms: [...placeTerms], hot: hot as HotColumns };
}

function nothingYet(): Collected {
  return { terms: new Set(), strings: [], dates: [], quantities: [], placeTerms: new Set(), hot: {} };
}

/** Reads the definitions of a type, so that the first resource of it need not wait for that. */
export function prepareExtraction(definitions: Definitions, type: string): void {
  planOf(definitions, type);
}

function planOf(definitions: Definitions, type: string): Plan {
  const known = plans.get(definitions) ?? new Map<string, Plan>();
  plans.set(definitions, known);
  const made = known.get(type);
  if (made !== undefined) return made;
  const parameters = [...definitions.parameters(type).values()];
  const places = placePlan(parameters);
  const byKey = new Map<string, { atom: Atom; parameters: PlannedParameter[] }>();
  for (const parameter of [...parameters, ...partsOfComposites(parameters)]) {
    for (const atom of parameter.atoms) {
      const entry = byKey.get(atom.key) ?? { atom, parameters: [] };
      byKey.set(atom.key, entry);
      // What composites join is taken element by element, so that they find what stands together.
      if (places.keys.has(atom.key)) continue;
      // Parameters of one kind that share an atom share its entries; `date` under another name may be hot as well.
      if (entry.parameters.length === 0 || isHotDate(type, parameter) || isHotPatient(parameter))
        entry.parameters.push(parameter);
    }
  }
  const atoms = [...byKey.values()].map(({ atom, parameters: some }) => ({
    atom,
    presence: presenceTerm(atom),
    takers: some.flatMap((parameter) => takersOf(definitions, type, parameter, atom)),
  }));
  const plan = { atoms, places, referencesOf: referencesWith(definitions) };
  known.set(type, plan);
  return plan;
}

function referencesWith({ local }: Definitions): Plan["referencesOf"] {
  return (value, key) => referencesOf(value, key, local);
}

/** Parts that only a composite asks for are indexed as a parameter of their own would be. */
function partsOfComposites(parameters: readonly Parameter[]): PlannedParameter[] {
  return parameters
    .flatMap((parameter) => parameter.roots)
    .flatMap((root) => root.parts)
    .map(({ kind, atoms }) => ({ code: "", kind, atoms, single: false }));
}

/** What to make of the values of one atom under one parameter. */
function takersOf(
  definitions: Definitions,
  type: string,
  parameter: PlannedParameter,
  { key }: Atom,
): ((values: readonly unknown[], into: Collected) => void)[] {
  switch (parameter.kind) {
    case "token":
      return [takeTerms((value) => tokensOf(value, key))];
    case "reference": {
      const read = referencesWith(definitions);
      const take = takeTerms((value) => read(value, key));
      return isHotPatient(parameter) ? [take, (values, into) => setHotPatient(definitions, values[0], into)] : [take];
    }
    case "uri":
      return [takeTerms((value) => urisOf(value, key))];
    case "string":
      return [(values, into) => void into.strings.push(...values.flatMap((value) => stringsOf(value, key)))];
    case "date":
      if (isHotDate(type, parameter)) return [(values, into) => setHotTime(values, key, into)];
      return [(values, into) => void into.dates.push(...values.flatMap((value) => datesOf(value, key)))];
    case "number":
    case "quantity":
      return [(values, into) => void into.quantities.push(...values.flatMap((value) => quantitiesOf(value, key)))];
    case "composite":
      return [];
  }
}

function takeTerms(termsOf: (value: unknown) => readonly string[]) {
  return (values: readonly unknown[], into: Collected) => {
    for (const value of values) for (const term of termsOf(value)) into.terms.add(term);
  };
}

function setHotPatient(definitions: Definitions, value: unknown, into: Collected): void {
  const reference = (value as { reference?: unknown } | null)?.reference;
  const target = typeof reference === "string" ? localTarget(definitions.local(reference)) : undefined;
  if (target?.type === "Patient") into.hot.patientId = target.id;
}

function setHotTime(values: readonly unknown[], key: string, into: Collected): void {
  const ranges = values.flatMap((value) => datesOf(value, key));
  if (ranges.length === 0) return;
  into.hot.startMs = Math.min(...ranges.map((range) => range.lowMs));
  into.hot.endMs = Math.max(...ranges.map((range) => range.highMs));
}
