import { getAllDataTypes } from "@medplum/core";
import type { SearchParameter, StructureDefinition } from "@medplum/fhirtypes";
import { type StructureName, structureNames, structureOf } from "./r4/structures.ts";
import { typeSchemaOf } from "./r4/type-schema.ts";
import { ownSearchParameters } from "./search/own-parameters.ts";
import { type Parameter, parametersOf } from "./search/parameter.ts";

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
  /** A reference as it is compared: one to this service's own base address becomes `Type/id`, any other stays. */
  local(reference: string): string;
  /** A profile of our own by its canonical url, to check resources that claim it. */
  profile(url: string): StructureDefinition | undefined;
}

/** Types switched on unless configuration says otherwise: those the trade maps to, and their neighbours. */
export const defaultTypes: readonly string[] = [
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

/**
 * Types that are abstract or only carry parameters, one that the package took over from R4B, and AuditEvent: the trail is
 * written by the service alone, and has a door of its own.
 */
const notStored = new Set(["Resource", "DomainResource", "Parameters", "SubscriptionStatus", "AuditEvent"]);

/**
 * Makes the official definitions known to this process, each read when it is first asked for: 10 ms at the start, then
 * a millisecond or less for each type. `searchParameters` are those that R4 lacks; they add to its own and replace none. `profiles` need
 * a snapshot.
 */
export function createDefinitions(options: {
  types: readonly string[] | "default" | "all";
  searchParameters?: readonly SearchParameter[];
  /** Base address of this service where it is known: absolute references under it mean what is stored here. */
  ownBase?: string;
  /** Made when the first resource claims one: their snapshots take a second to build. */
  profiles?: () => readonly StructureDefinition[];
}): Definitions {
  loadStructures();
  const types = chosenTypes(options.types);
  const on = new Set(types);
  const added = options.searchParameters ?? ownSearchParameters;
  const ownBase = options.ownBase === undefined ? undefined : `${options.ownBase}/`;
  let profiles: ReadonlyMap<string, StructureDefinition> | undefined;
  const cache = new Map<string, ReadonlyMap<string, Parameter>>();
  return {
    types,
    has: (type) => on.has(type),
    local: (reference) =>
      ownBase !== undefined && reference.startsWith(ownBase) ? reference.slice(ownBase.length) : reference,
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

function loadStructures(): void {
  if (loadedTypes.length > 0) return;
  const structures = structureNames();
  for (const one of structures) loadWhenAsked(one);
  loadedTypes = structures
    .filter(({ kind, isAbstract, name }) => kind === "resource" && !isAbstract && !notStored.has(name))
    .map(({ name }) => name)
    .sort();
}

/**
 * Puts a type into the list that `@medplum/core` looks types up in, for its FHIRPath and its profiles as for us, without
 * reading it yet: most of R4's 200 types are never asked for, and all of them would take half a second.
 */
function loadWhenAsked({ name, inner }: StructureName): void {
  const types = getAllDataTypes();
  const define = (one: string, how: PropertyDescriptor) =>
    Object.defineProperty(types, one, { ...how, enumerable: true, configurable: true });
  const load = () => {
    const structure = structureOf(name);
    if (structure === undefined) return;
    const schema = typeSchemaOf(structure);
    define(name, { value: schema, writable: true });
    for (const one of schema.innerTypes) {
      one.parentType = schema;
      define(one.name, { value: one, writable: true });
    }
  };
  for (const one of [name, ...inner]) {
    const get = () => {
      load();
      return types[one];
    };
    define(one, { get, set: (schema) => define(one, { value: schema, writable: true }) });
  }
}
