import type { ValueSet } from "@medplum/fhirtypes";
import { canonical } from "./canonical.ts";
import { ownCodeSystems } from "./code-systems.ts";

/** One value set for each of our code systems: all of its codes. */
export function valueSetResources(): (ValueSet & { id: string })[] {
  return ownCodeSystems.map(({ name, title }) => ({
    resourceType: "ValueSet",
    id: name,
    url: canonical("ValueSet", name),
    name: title.replace(/[^A-Za-z]/g, ""),
    title,
    status: "active",
    compose: { include: [{ system: canonical("CodeSystem", name) }] },
  }));
}
