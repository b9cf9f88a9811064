import { OperationOutcomeError, validateResource } from "@medplum/core";
import type { OperationOutcomeIssue, Resource, StructureDefinition } from "@medplum/fhirtypes";
import { accepted, type Refusal, type RefusalKind, type Result, refused } from "../domain/result.ts";
import { checkContained } from "./checks/contained.ts";
import { type CodesOf, mostFindings, startVisit } from "./checks/findings.ts";
import { pressureSignFaults } from "./checks/pressure-signs.ts";
import { profileRuleFaults, profileRules } from "./checks/profile-rules.ts";
import { walkResource } from "./checks/walk.ts";
import type { Definitions } from "./definitions.ts";
import { withoutVersion } from "./terminology/canonical.ts";
import { codesOf } from "./terminology/value-set-codes.ts";

/** What a check may be asked beside its usual work. */
export interface CheckOptions {
  /** The codes of a value set; those held here unless a test has its own. */
  readonly codesOf?: CodesOf;
  /** Profiles to check against beside those the resource claims. */
  readonly profiles?: readonly string[];
}

/**
 * Checks a parsed resource against the R4 definitions – type switched on, structure, cardinality, data types and their
 * formats, required bindings, references, narrative, invariants –, against those profiles it claims that are known
 * here, and against what our own codes mean. An empty list means that it may be stored; at most fifty findings. About
 * 0.03 ms for a session Observation, with the profile of ours that it claims; for a profile that says more than ours do,
 * 2 ms more, because the library reads it anew every time (measured).
 */
export function checkResource(
  definitions: Definitions,
  value: unknown,
  expectedType?: string,
  options: CheckOptions = {},
): Refusal[] {
  const opened = opening(definitions, value, expectedType);
  if (!opened.ok) return [...opened.refusals];
  const resource = opened.value;
  const type = resource.resourceType;
  const visit = startVisit(resource as unknown as Record<string, unknown>, options.codesOf ?? codesOf);
  walkResource(visit, resource as unknown as Record<string, unknown>, type, type);
  checkContained(visit, type);
  if (type === "DeviceRequest") visit.errors.push(...pressureSignFaults(resource));
  // Only a resource that R4 itself allows is worth a look through its profiles.
  if (visit.errors.length > 0) return visit.errors.slice(0, mostFindings);
  return knownProfiles(definitions, resource, options.profiles ?? [])
    .flatMap((profile) => profileFaults(resource, profile))
    .slice(0, mostFindings);
}

/**
 * What a resource may be stored with, but its sender would want to know: claimed profiles that nobody here knows,
 * codes outside an extensible value set, references to a type that R4 does not have. Meant for a resource that
 * `checkResource` found nothing against; of others it may tell less.
 */
export function resourceWarnings(definitions: Definitions, value: unknown, options: CheckOptions = {}): Refusal[] {
  const opened = opening(definitions, value, undefined);
  if (!opened.ok) return [];
  const resource = opened.value;
  const type = resource.resourceType;
  const visit = startVisit(resource as unknown as Record<string, unknown>, options.codesOf ?? codesOf, "warnings");
  walkResource(visit, resource as unknown as Record<string, unknown>, type, type);
  const claimed: unknown = resource.meta?.profile;
  const unknown = (Array.isArray(claimed) ? claimed : []).flatMap((url, i): Refusal[] => {
    if (typeof url !== "string" || isKnownProfile(definitions, url, type)) return [];
    const detail = `The profile ${url.slice(0, 200)} is not known here, so the resource was not checked against it.`;
    return [{ kind: "not-supported", detail, at: `${type}.meta.profile[${i}]` }];
  });
  return [...unknown, ...(visit.warnings ?? [])].slice(0, mostFindings);
}

/** The resource, if it is one of a type that is switched on and that the address is for. */
function opening(definitions: Definitions, value: unknown, expectedType: string | undefined): Result<Resource> {
  const type = (value as { resourceType?: unknown } | null)?.resourceType;
  if (typeof type !== "string") {
    const detail = "The body has no resourceType. Send one FHIR resource as JSON.";
    return refused({ kind: "structure", detail, status: 400 });
  }
  if (expectedType !== undefined && type !== expectedType) {
    const detail = `The body is a ${type}, the address is for ${expectedType}. Send it to the address of its type.`;
    return refused({ kind: "invalid", detail, at: "resourceType", status: 400 });
  }
  return definitions.has(type) ? accepted(value as Resource) : refused(unknownType(type));
}

/** Whether a resource of the type can be checked against a profile: against R4's own definition of it always. */
export function isKnownProfile(definitions: Definitions, profile: string, type: string): boolean {
  const url = withoutVersion(profile);
  return url === `http://hl7.org/fhir/StructureDefinition/${type}` || definitions.profile(url) !== undefined;
}

/** Profiles claimed in `meta.profile` or asked for that are known here; others cannot be checked and are let pass, as R4 allows. */
function knownProfiles(definitions: Definitions, resource: Resource, asked: readonly string[]): StructureDefinition[] {
  const urls = new Set([...(resource.meta?.profile ?? []), ...asked].map(withoutVersion));
  return [...urls].flatMap((url) => definitions.profile(url) ?? []);
}

function profileFaults(resource: Resource, profile: StructureDefinition): Refusal[] {
  const rules = profileRules(profile);
  if (rules !== undefined) return profileRuleFaults(rules, resource as unknown as Record<string, unknown>);
  return findings(resource, profile).filter(isError).map(refusalOf);
}

function findings(resource: Resource, profile: StructureDefinition): OperationOutcomeIssue[] {
  try {
    return validateResource(resource, { profile });
  } catch (error) {
    if (!(error instanceof OperationOutcomeError)) throw error;
    return error.outcome.issue ?? [];
  }
}

/** The refusal of a resource type that is not switched on here. */
export function unknownType(type: string): Refusal {
  return {
    kind: "not-supported",
    detail: `The resource type "${type.slice(0, 64)}" is not switched on here. /metadata lists those that are.`,
    status: 404,
  };
}

function isError(issue: OperationOutcomeIssue): boolean {
  return issue.severity === "error" || issue.severity === "fatal";
}

const kinds: ReadonlySet<string> = new Set<RefusalKind>([
  "structure",
  "invariant",
  "required",
  "value",
  "code-invalid",
]);

function refusalOf(issue: OperationOutcomeIssue): Refusal {
  // In FHIRPath a choice element goes by its plain name.
  const at = issue.expression?.[0]?.replaceAll("[x]", "");
  const kind = kinds.has(issue.code ?? "") ? (issue.code as RefusalKind) : "invalid";
  return {
    kind,
    detail: issue.details?.text ?? issue.diagnostics ?? "The resource does not conform to R4.",
    ...(at === undefined ? {} : { at }),
    status: kind === "structure" ? 400 : 422,
  };
}
