import type { ElementDefinition, StructureDefinition } from "@medplum/fhirtypes";
import { publishedResource } from "../r4/published.ts";
import { structureBase } from "../r4/structures.ts";
import { canonical } from "../terminology/canonical.ts";

/** What a profile asks of one element beyond R4. */
export interface Constraint {
  /** Path without the type, for instance `subject` or `component.value[x]`. */
  readonly path: string;
  readonly min?: number;
  readonly max?: "0" | "1";
  /** The element must hold a coding of this system (and code). */
  readonly pattern?: { readonly system: string; readonly code?: string };
  readonly short?: string;
}

/** A profile of ours before its snapshot is made. */
export interface Profile {
  readonly name: string;
  readonly title: string;
  readonly type: string;
  readonly description: string;
  readonly constraints: readonly Constraint[];
}

/** The profiles as StructureDefinitions; throws for a path that R4 does not have. */
export function profileResources(profiles: readonly Profile[]): (StructureDefinition & { id: string })[] {
  return profiles.map((profile) => {
    // With all its words: what a snapshot says of an element, people read.
    const base = publishedResource<StructureDefinition>(
      "profiles-resources",
      "StructureDefinition",
      structureBase + profile.type,
    );
    if (base === undefined) throw new Error(`R4 has no resource type ${profile.type}`);
    return profileResource(profile, base);
  });
}

/** One profile as a StructureDefinition with differential and snapshot, the latter R4's own with our constraints put in. */
function profileResource(profile: Profile, base: StructureDefinition): StructureDefinition & { id: string } {
  const byPath = new Map(profile.constraints.map((one) => [`${profile.type}.${one.path}`, one]));
  const unknown = [...byPath.keys()].filter((path) => !base.snapshot?.element.some((element) => element.path === path));
  if (unknown.length > 0) throw new Error(`R4 has no ${unknown.join(", ")}`);
  const constrained = (element: ElementDefinition): ElementDefinition => {
    const constraint = byPath.get(element.path ?? "");
    return constraint === undefined ? element : { ...element, ...elementOf(constraint, element) };
  };
  return {
    resourceType: "StructureDefinition",
    id: profile.name,
    url: canonical("StructureDefinition", profile.name),
    name: profile.title.replace(/[^A-Za-z]/g, ""),
    title: profile.title,
    status: "active",
    description: profile.description,
    fhirVersion: "4.0.1",
    kind: "resource",
    abstract: false,
    type: profile.type,
    baseDefinition: base.url ?? "",
    derivation: "constraint",
    snapshot: { element: (base.snapshot?.element ?? []).map(constrained) },
    differential: {
      element: [
        { id: profile.type, path: profile.type },
        ...profile.constraints.map((one) => {
          const path = `${profile.type}.${one.path}`;
          const element = base.snapshot?.element.find((known) => known.path === path);
          return { id: path, path, ...elementOf(one, element) };
        }),
      ],
    },
  };
}

function elementOf(constraint: Constraint, base: ElementDefinition | undefined): Partial<ElementDefinition> {
  const { min, max, pattern, short } = constraint;
  return {
    ...(min === undefined ? {} : { min }),
    ...(max === undefined ? {} : { max }),
    ...(short === undefined ? {} : { short }),
    ...(pattern === undefined ? {} : patternOf(pattern, base)),
  };
}

function patternOf(
  pattern: { system: string; code?: string },
  base: ElementDefinition | undefined,
): Partial<ElementDefinition> {
  const types = base?.type?.map((one) => one.code) ?? [];
  if (types[0] === "Coding") return { patternCoding: pattern };
  // A pattern stands on an element of one type alone (eld-7), so a choice is narrowed to the type that has codes.
  const narrowed = types.length > 1 ? { type: [{ code: "CodeableConcept" }] } : {};
  return { ...narrowed, patternCodeableConcept: { coding: [pattern] } };
}
