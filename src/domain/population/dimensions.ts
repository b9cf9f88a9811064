import { ageInYears } from "../age.ts";
import type { Dimension } from "../disclosure/table.ts";
import type { Plan } from "../prescription.ts";
import type { LocalDay } from "../time.ts";

/** Key of the whole of every dimension, and of what the records do not tell. */
export const wholeKey = "all";
export const unknownKey = "unknown";

/** Names of the dimensions that stand beside the place, each at most one at a time. */
export type SideName = "age" | "interface" | "diagnosis";

/** Bands of age in completed years, each from its first year on. */
const ageBands = [
  { key: "65+", fromYears: 65, title: "65 and over" },
  { key: "40-64", fromYears: 40, title: "40 to 64" },
  { key: "18-39", fromYears: 18, title: "18 to 39" },
  { key: "12-17", fromYears: 12, title: "12 to 17" },
  { key: "5-11", fromYears: 5, title: "5 to 11" },
  { key: "0-4", fromYears: 0, title: "0 to 4" },
] as const;

/** Groups of the codes that a settings profile may name as its interface; other codes are of no group. */
const interfaceGroups: Readonly<Record<string, string>> = {
  mask: "mask",
  "mask-oronasal": "mask",
  "mask-nasal": "mask",
  mouthpiece: "mouthpiece",
  "tracheostomy-adapter": "tracheostomy",
  "endotracheal-adapter": "tracheostomy",
};

/** Titles of the members of each dimension, in the order of their tables. */
export const sideTitles: Readonly<Record<SideName, Readonly<Record<string, string>>>> = {
  age: {
    [wholeKey]: "All ages",
    ...Object.fromEntries(ageBands.toReversed().map(({ key, title }) => [key, title])),
    [unknownKey]: "Age not known",
  },
  interface: {
    [wholeKey]: "All interfaces",
    mask: "Mask",
    mouthpiece: "Mouthpiece",
    tracheostomy: "Tracheostomy",
    [unknownKey]: "Interface not known",
  },
  // No diagnosis is among the facts that computations read: a Condition states a chest infection here and nothing else.
  diagnosis: { [wholeKey]: "All diagnoses", [unknownKey]: "Diagnosis not known" },
};

/** The dimensions beside the place; a person is in one part of each. */
export const sides: readonly (Dimension & { readonly name: SideName })[] = (
  ["age", "interface", "diagnosis"] as const
).map((name) => ({
  name,
  whole: {
    key: wholeKey,
    parts: Object.keys(sideTitles[name])
      .filter((key) => key !== wholeKey)
      .map((key) => ({ key })),
  },
  parts: "disjoint",
}));

/** The band of somebody's age on a day; the youngest before birth. */
export function ageBand(birthDay: LocalDay | undefined, day: LocalDay): string {
  if (birthDay === undefined) return unknownKey;
  const years = Math.max(0, ageInYears(birthDay, day));
  return ageBands.find((band) => years >= band.fromYears)?.key ?? unknownKey;
}

/**
 * The interface that the plan which began last before `endDay` prescribes: of its usual profiles first, then of the
 * others, the first that names one of a group. `interfaces` holds the codes by profile id.
 */
export function interfaceGroup(
  plans: readonly Plan[],
  interfaces: Readonly<Record<string, string>>,
  endDay: LocalDay,
): string {
  const plan = plans
    .filter((one) => one.status !== "draft" && one.firstDay < endDay)
    .reduce<Plan | undefined>(
      (last, one) => (last === undefined || one.firstDay >= last.firstDay ? one : last),
      undefined,
    );
  const profiles = plan?.profiles ?? [];
  const usualFirst = [
    ...profiles.filter((profile) => profile.role === "usual"),
    ...profiles.filter((profile) => profile.role !== "usual"),
  ];
  const groups = usualFirst.flatMap(({ profileId }) => interfaceGroups[interfaces[profileId] ?? ""] ?? []);
  return groups[0] ?? unknownKey;
}
