import type { Resource } from "@medplum/fhirtypes";
import type { Definitions, Parameter } from "../definitions.ts";
import { type Atom, hash64 } from "./atoms.ts";
import { datesOf } from "./date.ts";
import type { DateEntry, HotColumns, IndexValues, QuantityEntry, StringEntry } from "./index-values.ts";
import { quantitiesOf } from "./quantity.ts";
import { referencesOf } from "./reference.ts";
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
export function isHotPatient(parameter: Parameter): boolean {
  return parameter.single && patientOperand.test(parameter.atoms[0]?.text ?? "");
}

/** The term that says an atom has a value, for `:missing`. */
export function presenceTerm(atom: Atom): string {
  return hash64(`${atom.key}\npresent`);
}

interface Collected {
  readonly terms: Set<string>;
  readonly strings: StringEntry[];
  readonly dates: DateEntry[];
  readonly quantities: QuantityEntry[];
  readonly hot: { patientId?: string; startMs?: number; endMs?: number };
}

/** One plan per type: each atom once, however many parameters share it, with what to make of its values. */
interface Plan {
  readonly atom: Atom;
  readonly parameters: readonly Parameter[];
}

const plans = new WeakMap<Definitions, Map<string, readonly Plan[]>>();

/** Extracts everything that search asks of a resource, as its type's parameter definitions say. */
export function extractIndexValues(definitions: Definitions, resource: Resource): IndexValues {
  const type = resource.resourceType;
  const collected: Collected = { terms: new Set(), strings: [], dates: [], quantities: [], hot: {} };
  for (const { atom, parameters } of planOf(definitions, type)) {
    const values = atom.read(resource);
    if (values.length === 0) continue;
    collected.terms.add(presenceTerm(atom));
    for (const parameter of parameters) collect(type, parameter, atom, values, collected);
  }
  if (type === "Patient" && resource.id !== undefined) collected.hot.patientId = resource.id;
  const { strings, dates, quantities, hot } = collected;
  return { terms: [...collected.terms], strings, dates, quantities, hot: hot as HotColumns };
}

function planOf(definitions: Definitions, type: string): readonly Plan[] {
  const known = plans.get(definitions) ?? new Map<string, readonly Plan[]>();
  plans.set(definitions, known);
  const made = known.get(type);
  if (made !== undefined) return made;
  const byKey = new Map<string, { atom: Atom; parameters: Parameter[] }>();
  for (const parameter of definitions.parameters(type).values()) {
    for (const atom of parameter.atoms) {
      const entry = byKey.get(atom.key) ?? { atom, parameters: [] };
      // Parameters of one kind that share an atom share its entries; `date` under another name may be hot as well.
      if (entry.parameters.length === 0 || isHotDate(type, parameter) || isHotPatient(parameter))
        entry.parameters.push(parameter);
      byKey.set(atom.key, entry);
    }
  }
  const plan = [...byKey.values()];
  known.set(type, plan);
  return plan;
}

function collect(type: string, parameter: Parameter, atom: Atom, values: readonly unknown[], into: Collected): void {
  switch (parameter.kind) {
    case "token":
      for (const value of values) for (const term of tokensOf(value, atom.key)) into.terms.add(term);
      return;
    case "reference":
      for (const value of values) for (const term of referencesOf(value, atom.key)) into.terms.add(term);
      if (isHotPatient(parameter)) setHotPatient(values[0], into);
      return;
    case "uri":
      for (const value of values) for (const term of urisOf(value, atom.key)) into.terms.add(term);
      return;
    case "string":
      into.strings.push(...values.flatMap((value) => stringsOf(value, atom.key)));
      return;
    case "date":
      if (isHotDate(type, parameter)) setHotTime(values, atom, into);
      else into.dates.push(...values.flatMap((value) => datesOf(value, atom.key)));
      return;
    case "number":
    case "quantity":
      into.quantities.push(...values.flatMap((value) => quantitiesOf(value, atom.key)));
      return;
    case "composite":
      return;
  }
}

const patientReference = /^Patient\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/[^/]+)?$/;

function setHotPatient(value: unknown, into: Collected): void {
  const reference = (value as { reference?: unknown } | null)?.reference;
  const id = typeof reference === "string" ? patientReference.exec(reference)?.[1] : undefined;
  if (id !== undefined) into.hot.patientId = id;
}

function setHotTime(values: readonly unknown[], atom: Atom, into: Collected): void {
  const ranges = values.flatMap((value) => datesOf(value, atom.key));
  if (ranges.length === 0) return;
  into.hot.startMs = Math.min(...ranges.map((range) => range.lowMs));
  into.hot.endMs = Math.max(...ranges.map((range) => range.highMs));
}
