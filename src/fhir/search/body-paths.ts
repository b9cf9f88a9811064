import type { Atom } from "./atoms.ts";

/**
 * The jsonpaths (PostgreSQL's, in its lax mode, which looks into arrays by itself) from a resource's body to these
 * texts below the values of the atoms; undefined where an atom is more than a path.
 */
export function bodyPaths(atoms: readonly Atom[], below: readonly string[]): readonly string[] | undefined {
  if (atoms.some((atom) => atom.steps.length === 0)) return undefined;
  return atoms.flatMap((atom) => {
    const written = atom.steps.reduce<readonly string[]>(
      (paths, step) => paths.flatMap((path) => step.names.map((name) => `${path}.${JSON.stringify(name)}`)),
      ["$"],
    );
    return written.flatMap((path) => below.map((rest) => path + rest));
  });
}
