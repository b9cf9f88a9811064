import type { Coding } from "@medplum/fhirtypes";
import type { Role } from "./scopes.ts";

/** The code system of labels that say how confidential a resource is (https://terminology.hl7.org/CodeSystem-v3-Confidentiality.html). */
export const confidentialitySystem = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality";

/** What a client sees at most: normal, restricted, very restricted. */
export const confidentialities = ["N", "R", "V"] as const;

export type Confidentiality = (typeof confidentialities)[number];

/**
 * The clearance of a client that is registered without one. Whoever keeps the record must be able to read what it has
 * labelled; nobody else sees more than normal unless somebody says so.
 */
export function defaultConfidentiality(role: Role): Confidentiality {
  return role === "integration" ? "V" : "N";
}

/** Reads a clearance; undefined where it is none. */
export function readConfidentiality(text: string): Confidentiality | undefined {
  return confidentialities.find((one) => one === text);
}

/** How much is withheld: 0 for what goes beyond normal, 1 for what goes beyond restricted; undefined where nothing is. */
export function highestShown(confidentiality: Confidentiality): 0 | 1 | undefined {
  return confidentiality === "V" ? undefined : confidentiality === "R" ? 1 : 0;
}

/** The labels of confidentiality in a resource's JSON text: a deletion keeps them, so that it tells no more than what it deletes. */
export function confidentialityLabels(body: string): readonly Coding[] {
  if (!body.includes(confidentialitySystem)) return [];
  const { meta } = JSON.parse(body) as { meta?: { security?: Coding[] } };
  return (meta?.security ?? []).filter(({ system }) => system === confidentialitySystem);
}
