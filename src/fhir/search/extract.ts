import type { Resource } from "@medplum/fhirtypes";
import type { Definitions } from "../definitions.ts";
import { localTarget, referencesIn } from "../references.ts";
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
  readonly hot: { patientId?: string; startMs?: number; endMs?: number };
}

/** One plan per type: each atom once, however many parameters share it, with what to make of its values. */
interface Plan {
  readonly atoms: readonly { readonly atom: Atom; readonly parameters: readonly PlannedParameter[] }[];
  readonly places: PlacePlan;
}

const plans = new WeakMap<Definitions, Map<string, Plan>>();

/** Extracts everything that search asks of a resource, as its type's parameter definitions say. */
export function extractIndexValues(definitions: Definitions, resource: Resource): IndexValues {
  const type = resource.resourceType;
  const collected: Collected = { terms: new Set(), strings: [], dates: [], quantities: [], hot: {} };
  const plan = planOf(definitions, type);
  for (const { atom, parameters } of plan.atoms) {
    const values = atom.read(resource);
    if (values.length === 0) continue;
    collected.terms.add(presenceTerm(atom));
    for (const parameter of parameters) collect(definitions, type, parameter, atom, values, collected);
  }
  for (const { reference } of referencesIn(resource)) {
    const target = localTarget(definitions.local(reference));
    if (target !== undefined) collected.terms.add(referralTerm(`${target.type}/${target.id}`));
  }
  const placed = placedValues(plan.places, resource, (value, key) => referencesOf(value, key, definitions.local));
  collected.quantities.push(...placed.quantities);
  for (const term of placed.terms) collected.terms.add(term);
  if (type === "Patient" && resource.id !== undefined) collected.hot.patientId = resource.id;
  const { strings, dates, quantities, hot } = collected;
  const { placeTerms } = placed;
  return { terms: [...collected.terms], strings, dates, quantities, placeTerms, hot: hot as HotColumns };
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
  const plan = { atoms: [...byKey.values()], places };
  known.set(type, plan);
  return plan;
}

/** Parts that only a composite asks for are indexed as a parameter of their own would be. */
function partsOfComposites(parameters: readonly Parameter[]): PlannedParameter[] {
  return parameters
    .flatMap((parameter) => parameter.roots)
    .flatMap((root) => root.parts)
    .map(({ kind, atoms }) => ({ code: "", kind, atoms, single: false }));
}

function collect(
  definitions: Definitions,
  type: string,
  parameter: PlannedParameter,
  atom: Atom,
  values: readonly unknown[],
  into: Collected,
): void {
  switch (parameter.kind) {
    case "token":
      for (const value of values) for (const term of tokensOf(value, atom.key)) into.terms.add(term);
      return;
    case "reference":
      for (const value of values)
        for (const term of referencesOf(value, atom.key, definitions.local)) into.terms.add(term);
      if (isHotPatient(parameter)) setHotPatient(definitions, values[0], into);
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

function setHotPatient(definitions: Definitions, value: unknown, into: Collected): void {
  const reference = (value as { reference?: unknown } | null)?.reference;
  const target = typeof reference === "string" ? localTarget(definitions.local(reference)) : undefined;
  if (target?.type === "Patient") into.hot.patientId = target.id;
}

function setHotTime(values: readonly unknown[], atom: Atom, into: Collected): void {
  const ranges = values.flatMap((value) => datesOf(value, atom.key));
  if (ranges.length === 0) return;
  into.hot.startMs = Math.min(...ranges.map((range) => range.lowMs));
  into.hot.endMs = Math.max(...ranges.map((range) => range.highMs));
}
