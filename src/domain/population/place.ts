import type { Dimension, Member } from "../disclosure/table.ts";
import { unknownKey, wholeKey } from "./dimensions.ts";

/** An organisation as its resource tells it. */
export interface OrganizationPlace {
  readonly id: string;
  readonly name?: string;
  /** id of the Organization that it is part of. */
  readonly partOfId?: string;
}

/** The places that a table counts by, and where a person of an organisation stands among them. */
export interface Places {
  readonly dimension: Dimension;
  readonly titles: Readonly<Record<string, string>>;
  /** Key of the leaf for a person's managing organisation. */
  leafOf(organizationId: string | undefined): string;
}

/**
 * The tree of the organisations by `partOf`, under a whole that is the tenant. An organisation that has parts and people
 * of its own (`withPeople`) gets a leaf for these, or the parts would not add up to it. People without a managing
 * organisation, or of one that is not on record or only part of itself (a circle), are of an unknown place.
 */
export function placeTree(organizations: readonly OrganizationPlace[], withPeople: ReadonlySet<string>): Places {
  const sorted = [...organizations].sort((a, b) => (a.id < b.id ? -1 : 1));
  const known = new Set(sorted.map((one) => one.id));
  const childrenOf = Map.groupBy(sorted, ({ partOfId }) =>
    partOfId !== undefined && known.has(partOfId) ? partOfId : undefined,
  );
  const leaves = new Map<string, string>();
  const titles: Record<string, string> = { [wholeKey]: "All places", [unknownKey]: "Place not known" };
  const memberOf = ({ id, name }: OrganizationPlace): Member => {
    const key = placeKey(id);
    titles[key] = name ?? id;
    const children = childrenOf.get(id) ?? [];
    if (children.length === 0) {
      leaves.set(id, key);
      return { key };
    }
    const parts = children.map(memberOf);
    if (!withPeople.has(id)) return { key, parts };
    const own = `${key}/itself`;
    titles[own] = `${name ?? id}, no part of it named`;
    leaves.set(id, own);
    return { key, parts: [...parts, { key: own }] };
  };
  const parts = (childrenOf.get(undefined) ?? []).map(memberOf);
  const whole = { key: wholeKey, parts: [...parts, { key: unknownKey }] };
  return {
    dimension: { name: "place", whole, parts: "disjoint" },
    titles,
    leafOf: (organizationId) => leaves.get(organizationId ?? "") ?? unknownKey,
  };
}

/** The key of an organisation among the places. */
export function placeKey(organizationId: string): string {
  return `Organization/${organizationId}`;
}
