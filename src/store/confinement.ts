/** What one client may read of its tenant; the database holds it, whatever way a question takes. */
export interface Confinement {
  /** Resource types; every type where absent. */
  readonly types?: readonly string[];
  /** Types of which only resources with one of the terms show, and no replaced versions; none where absent. */
  readonly limits?: { readonly types: readonly string[]; readonly terms: readonly string[] };
  /** One person, and nobody else. */
  readonly patientId?: string;
  /** The people of these organisations, and nobody else. */
  readonly organizationIds?: readonly string[];
  /** The highest confidentiality that shows: 0 for normal, 1 for restricted; all of it where absent. */
  readonly confidentiality?: 0 | 1;
  /** Who asks, where people may deny it by a Consent; nothing is denied where absent. */
  readonly consent?: Asker;
}

/** One that records are shared with, by the names that Consents know it under (src/fhir/consent.ts). */
export interface Asker {
  /** A denial to any of these means it. */
  readonly deniedAs: readonly string[];
  /** An exception for any of these lets it. */
  readonly permittedAs: readonly string[];
  readonly atMs: number;
}

/** Every setting by which policies show rows to readers. */
export const settingNames: readonly string[] = [
  "tenant",
  "types",
  "limited_types",
  "limit_terms",
  "patient",
  "organizations",
  "confidentiality",
  "denied_as",
  "permitted_as",
  "asked_at",
].map((name) => `tidegate.${name}`);

/** The settings that the policies ask, by name. */
export function settingsOf(confinement: Confinement): [name: string, value: string][] {
  const { types, limits, patientId, organizationIds, confidentiality, consent } = confinement;
  return [
    ...(types === undefined ? [] : [setting("types", types)]),
    ...(limits === undefined
      ? []
      : [
          setting("limited_types", limits.types),
          setting("limit_terms", limits.terms.length === 0 ? ["0"] : limits.terms),
        ]),
    ...(patientId === undefined ? [] : [setting("patient", [patientId])]),
    ...(organizationIds === undefined ? [] : [setting("organizations", organizationIds)]),
    ...(confidentiality === undefined ? [] : [setting("confidentiality", [String(confidentiality)])]),
    ...(consent === undefined
      ? []
      : [
          setting("denied_as", consent.deniedAs),
          setting("permitted_as", consent.permittedAs),
          setting("asked_at", [String(consent.atMs)]),
        ]),
  ];
}

/** An empty setting reads as none, so that nothing at all needs a name that nothing has. */
function setting(name: string, values: readonly string[]): [name: string, value: string] {
  if (!values.every((value) => /^[A-Za-z0-9.-]{1,64}$/.test(value))) throw new Error("what confines is not a name");
  return [`tidegate.${name}`, values.length === 0 ? "none-" : values.join(",")];
}
