import type { Coding, Identifier, Patient, Resource } from "@medplum/fhirtypes";
import type { SettledIdentifier } from "../../domain/identifier-authority.ts";
import { localTarget } from "../references.ts";
import { identifierSystems } from "../terminology/canonical.ts";
import { withFormer } from "./person.ts";

/** The record that goes on: it keeps the other's numbers as former ones, its labels, and a death that it says nothing of itself. */
export function survivorAfter(survivor: Patient, retired: Patient, former: readonly SettledIdentifier[]): Patient {
  const known = (survivor.identifier ?? []).map(keyOf);
  const taken = (retired.identifier ?? []).filter((one) => !known.includes(keyOf(one)));
  const identifier = withFormer(
    [...(survivor.identifier ?? []), ...taken.map((one) => ({ ...one, use: "old" as const }))],
    former,
  );
  const security = labelsOf(survivor, retired);
  return {
    ...survivor,
    ...deathOf(survivor, retired),
    ...(security.length === 0 ? {} : { meta: { ...survivor.meta, security } }),
    identifier,
    link: linked(survivor, "replaces", retired.id ?? ""),
  };
}

/** One death for both; what a message told of the record that goes on stands before what the other says. */
function deathOf(survivor: Patient, retired: Patient): Pick<Patient, "deceasedBoolean" | "deceasedDateTime"> {
  if (survivor.deceasedBoolean !== undefined || survivor.deceasedDateTime !== undefined) return {};
  if (retired.deceasedDateTime !== undefined) return { deceasedDateTime: retired.deceasedDateTime };
  return retired.deceasedBoolean === undefined ? {} : { deceasedBoolean: retired.deceasedBoolean };
}

/** The record that is out of use and says which one goes on (https://hl7.org/fhir/R4/valueset-link-type.html). */
export function retiredAfter(retired: Patient, survivorId: string): Patient {
  return { ...retired, active: false, link: linked(retired, "replaced-by", survivorId) };
}

function linked(patient: Patient, type: "replaces" | "replaced-by", id: string): NonNullable<Patient["link"]> {
  const reference = `Patient/${id}`;
  const others = (patient.link ?? []).filter((one) => one.other.reference !== reference);
  return [...others, { other: { reference }, type }];
}

function keyOf({ system, value }: Identifier): string {
  return `${system ?? ""}\n${value ?? ""}`;
}

/** What was withheld of one record stays withheld of the whole. */
function labelsOf(one: Patient, other: Patient): Coding[] {
  const labels = [...(one.meta?.security ?? []), ...(other.meta?.security ?? [])];
  return labels.filter((label, i) => labels.findIndex((a) => a.system === label.system && a.code === label.code) === i);
}

/** Types that tell what was at the time, or that the service makes anew for the record that goes on. */
const staying: ReadonlySet<string> = new Set(["Patient", "Provenance", "AuditEvent", "Bundle"]);

/** Whether a resource that points to the retired record must point to the other from now on. */
export function movesWithMerge(resource: Resource): boolean {
  if (staying.has(resource.resourceType)) return false;
  // The service's own Tasks follow from a review of each record: those of the retired one close by themselves.
  const isFinding =
    resource.resourceType === "Task" &&
    resource.identifier?.some((one) => one.system === identifierSystems.finding) === true;
  return !isFinding;
}

/** The resource with every reference to one patient turned to another; versions pointed to are left, for they are of the past. */
export function repointed<T>(value: T, fromId: string, toId: string, local: (reference: string) => string): T {
  if (Array.isArray(value)) return value.map((one) => repointed(one, fromId, toId, local)) as T;
  if (typeof value !== "object" || value === null) return value;
  return Object.fromEntries(
    Object.entries(value).map(([name, member]) => {
      if (name !== "reference" || typeof member !== "string") return [name, repointed(member, fromId, toId, local)];
      const target = member.includes("/_history/") ? undefined : localTarget(local(member));
      return [name, target?.type === "Patient" && target.id === fromId ? `Patient/${toId}` : member];
    }),
  ) as T;
}
