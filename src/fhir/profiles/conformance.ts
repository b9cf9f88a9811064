import type { CodeSystem, SearchParameter, StructureDefinition, ValueSet } from "@medplum/fhirtypes";
import { ownSearchParameters } from "../search/own-parameters.ts";
import { codeSystemResources } from "../terminology/code-systems.ts";
import { valueSetResources } from "../terminology/value-sets.ts";
import { ownProfiles } from "./own-profiles.ts";
import { profileResources } from "./profile.ts";

/** A definition of ours; its address is `canonical(resourceType, id)`. */
export type Conformance = (StructureDefinition | CodeSystem | ValueSet | SearchParameter) & { id: string };

/**
 * Everything that this service defines itself: profiles, code systems, value sets, search parameters. Each call reads R4's
 * own definitions anew for the profiles' snapshots, which takes some 100 ms: ask once.
 */
export function conformanceResources(): Conformance[] {
  return [
    ...profileResources(ownProfiles),
    ...codeSystemResources(),
    ...valueSetResources(),
    ...ownSearchParameters.map((parameter) => ({ ...parameter, id: parameter.id ?? parameter.code ?? "" })),
  ];
}
