import type { Patient } from "@medplum/fhirtypes";
import { patientCompartmentParameters } from "./compartment.ts";
import { localTarget } from "./references.ts";

/** What of another's record points to a person who is being erased. */
export interface Erased {
  /** Whether a literal reference, version left out, leads to what goes. */
  has(reference: string): boolean;
  /** Values of the person's identifiers: a reference may name the person by one of them alone. */
  readonly identifiers: ReadonlySet<string>;
}

/**
 * What stands in place of a reference to somebody erased: R4's word for a value that is withheld, valid wherever a Reference
 * is asked for (https://hl7.org/fhir/R4/extension-data-absent-reason.html, code `masked` of
 * https://hl7.org/fhir/R4/valueset-data-absent-reason.html).
 */
const masked = {
  extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "masked" }],
};

const membersOfReference = new Set(["reference", "type", "identifier", "display", "id", "extension"]);

/** Of Node 26, and not yet in TypeScript's library: numbers kept as they were written. */
const { isRawJSON } = JSON as typeof JSON & { isRawJSON(value: unknown): boolean };

/**
 * The resource with every reference to what is erased masked, its display included; undefined where there is none. The
 * narrative goes too: whoever made it may have written the name into it. `resource` may hold numbers as raw JSON.
 */
export function withoutReferences(resource: unknown, erased: Erased): unknown {
  const rest = maskedIn(resource, erased);
  if (rest === resource) return undefined;
  const { text: _, ...others } = rest as Record<string, unknown>;
  return others;
}

/** The same object where nothing in it is masked, so that the caller can tell. */
function maskedIn(value: unknown, erased: Erased): unknown {
  if (typeof value !== "object" || value === null || isRawJSON(value)) return value;
  if (Array.isArray(value)) {
    const items = value.map((one) => maskedIn(one, erased));
    return items.some((one, i) => one !== value[i]) ? items : value;
  }
  if (pointsToErased(value, erased)) return masked;
  let changed = false;
  const members = Object.entries(value).map(([name, one]) => {
    const kept = maskedIn(one, erased);
    changed ||= kept !== one;
    return [name, kept] as const;
  });
  return changed ? Object.fromEntries(members) : value;
}

function pointsToErased(value: object, erased: Erased): boolean {
  if (!Object.keys(value).every((name) => membersOfReference.has(name))) return false;
  const { reference, identifier } = value as { reference?: unknown; identifier?: { value?: unknown } };
  if (typeof reference === "string" && erased.has(reference)) return true;
  return typeof identifier?.value === "string" && erased.identifiers.has(identifier.value);
}

/** Kinds that stand for several people, or for what was done: they outlive a person that they name. */
const outliving = new Set(["AuditEvent", "CareTeam", "Device", "Group"]);

/**
 * Whether a resource that names this person somewhere, and whose subject is nobody else, goes with the person: it could
 * be in a compartment, it names no other patient, and it is of a kind that tells about one person.
 */
export function isAboutOnly(patientId: string, type: string, patients: ReadonlySet<string>): boolean {
  if (outliving.has(type) || [...patients].some((other) => other !== patientId)) return false;
  return ["Task", "Binary", "Bundle"].includes(type) || patientCompartmentParameters(type).length > 0;
}

/** ids of the patients that a JSON text of a resource points to, whether as a reference or as an address in a Bundle. */
export function patientsIn(body: string): string[] {
  return [...body.matchAll(/["/]Patient\/([A-Za-z0-9\-.]{1,64})/g)].map(([, id]) => id ?? "");
}

/** `Type/id` without the version; undefined for what leads elsewhere. */
export function unversioned(reference: string): string | undefined {
  const target = localTarget(reference);
  return target && `${target.type}/${target.id}`;
}

/** Words by which a person could be found again: values of identifiers and of telecom, family names and names as one text. */
export interface Traits {
  readonly identifiers: readonly string[];
  readonly others: readonly string[];
}

const shortest = 3;

/** The traits in all versions of a person's Patient; what has fewer than three characters would be found everywhere. */
export function traitsOf(versions: readonly Patient[]): Traits {
  const long = (texts: readonly (string | undefined)[]) =>
    [...new Set(texts.flatMap((text) => text?.trim() ?? []))].filter((text) => text.length >= shortest);
  return {
    identifiers: long(versions.flatMap((one) => (one.identifier ?? []).map(({ value }) => value))),
    others: long(
      versions.flatMap((one) => [
        ...(one.name ?? []).flatMap(({ family, text }) => [family, text]),
        ...(one.telecom ?? []).map(({ value }) => value),
      ]),
    ),
  };
}

/** ids of other Patients of the same person, by `link`; every kind of link says so (https://hl7.org/fhir/R4/patient.html#links). */
export function linkedPatients(versions: readonly Patient[]): string[] {
  const links = versions.flatMap((one) => (one.link ?? []).flatMap(({ other }) => other.reference ?? []));
  const targets = links.map((reference) => localTarget(reference)).filter((target) => target?.type === "Patient");
  return [...new Set(targets.flatMap((target) => target?.id ?? []))].sort();
}
