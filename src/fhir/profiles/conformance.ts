import type {
  CodeSystem,
  Measure,
  OperationDefinition,
  Questionnaire,
  SearchParameter,
  StructureDefinition,
  ValueSet,
} from "@medplum/fhirtypes";
import { measureResources } from "../measure.ts";
import { operationDefinitions } from "../operations.ts";
import { screeningQuestionnaire } from "../screening-questionnaire.ts";
import { ownSearchParameters } from "../search/own-parameters.ts";
import { codeSystemResources } from "../terminology/code-systems.ts";
import { valueSetResources } from "../terminology/value-sets.ts";
import { ownProfiles } from "./own-profiles.ts";
import { profileResources } from "./profile.ts";

/** A definition of ours; its address is `canonical(resourceType, id)`. */
export type Conformance = (
  | Measure
  | StructureDefinition
  | CodeSystem
  | ValueSet
  | SearchParameter
  | OperationDefinition
  | Questionnaire
) & {
  id: string;
};

let profiles: readonly (StructureDefinition & { id: string })[] | undefined;

/**
 * Our profiles with their snapshots, made once per process: some 50 ms, and 400 KB as JSON that stay in memory.
 */
export function ownProfileResources(): readonly (StructureDefinition & { id: string })[] {
  profiles ??= profileResources(ownProfiles);
  return profiles;
}

/** Everything that this service defines itself: profiles, code systems, value sets, search parameters, operations. */
export function conformanceResources(): Conformance[] {
  return [
    ...ownProfileResources(),
    ...codeSystemResources(),
    ...valueSetResources(),
    ...ownSearchParameters.map((parameter) => ({ ...parameter, id: parameter.id ?? parameter.code ?? "" })),
    ...operationDefinitions(),
    ...measureResources(),
    screeningQuestionnaire(),
  ];
}
