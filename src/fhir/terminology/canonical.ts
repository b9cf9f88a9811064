/** Base of everything this service names itself; a reserved domain, so that it can belong to nobody. */
export const canonicalBase = "https://tidegate.example/fhir";

/** The address of one of our own definitions, for instance `canonical("CodeSystem", "finding-rule")`. */
export function canonical(kind: string, name: string): string {
  return `${canonicalBase}/${kind}/${name}`;
}

/** The address of one of our own extensions. */
export function extensionUrl(name: string): string {
  return canonical("StructureDefinition", name);
}

/** Identifier systems of our own. */
export const identifierSystems = {
  deviceSerial: `${canonicalBase}/sid/device-serial`,
  session: `${canonicalBase}/sid/session`,
  recordDigest: `${canonicalBase}/sid/record-digest`,
  upload: `${canonicalBase}/sid/upload-sha256`,
  finding: `${canonicalBase}/sid/finding`,
  service: `${canonicalBase}/sid/service`,
} as const;

/** A canonical address without the version behind its `|`. */
export function withoutVersion(url: string): string {
  return url.split("|")[0] ?? url;
}
