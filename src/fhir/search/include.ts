import type { Resource } from "@medplum/fhirtypes";
import type { Definitions } from "../definitions.ts";
import { localTarget } from "../references.ts";
import type { Atom } from "./atoms.ts";
import type { Inclusion } from "./query.ts";
import { referenceTerm } from "./reference.ts";

/** `Type/id` of everything here that these resources point to under the parameters of the inclusions. */
export function includedReferences(
  definitions: Definitions,
  resources: readonly Resource[],
  inclusions: readonly Inclusion[],
): string[] {
  const found = new Set<string>();
  for (const inclusion of inclusions) {
    for (const resource of resources) {
      if (inclusion.sourceType !== "*" && resource.resourceType !== inclusion.sourceType) continue;
      for (const value of atomsOf(definitions, resource.resourceType, inclusion).flatMap((atom) =>
        atom.read(resource),
      )) {
        const reference = typeof value === "string" ? value : (value as { reference?: string }).reference;
        const target = localTarget(definitions.local(reference ?? ""));
        if (target === undefined || !definitions.has(target.type)) continue;
        if (inclusion.targetType === undefined || inclusion.targetType === target.type)
          found.add(`${target.type}/${target.id}`);
      }
    }
  }
  return [...found];
}

/** The terms under which resources of the inclusion's source type point to any of these `Type/id`. */
export function revincludeTerms(
  definitions: Definitions,
  inclusion: Inclusion,
  references: readonly string[],
): string[] {
  const wanted = references.filter(
    (reference) => inclusion.targetType === undefined || reference.startsWith(`${inclusion.targetType}/`),
  );
  const atoms = atomsOf(definitions, inclusion.sourceType, inclusion);
  return atoms.flatMap((atom) => wanted.map((reference) => referenceTerm(atom.key, reference)));
}

/** The reference operands that an inclusion follows from one type, each once. */
function atomsOf(definitions: Definitions, type: string, inclusion: Inclusion): readonly Atom[] {
  const parameters = definitions.parameters(type);
  if (inclusion.param !== "*") return parameters.get(inclusion.param)?.atoms ?? [];
  const atoms = [...parameters.values()].filter((one) => one.kind === "reference").flatMap((one) => one.atoms);
  return [...new Map(atoms.map((atom) => [atom.key, atom])).values()];
}
