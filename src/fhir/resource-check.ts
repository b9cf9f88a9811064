import { OperationOutcomeError, validateResource } from "@medplum/core";
import type { OperationOutcomeIssue, Resource, StructureDefinition } from "@medplum/fhirtypes";
import type { Refusal, RefusalKind } from "../domain/result.ts";
import type { Definitions } from "./definitions.ts";

const idShape = /^[A-Za-z0-9\-.]{1,64}$/;
const mostIssues = 50;

/**
 * Checks a parsed resource against the R4 definitions: type switched on, structure, cardinality, data types,
 * invariants, and those profiles it claims that are known here. Bindings are not checked yet. An empty list means that
 * it may be stored. About 0.3 ms for a session Observation; a claimed profile takes as much again and more.
 */
export function checkResource(definitions: Definitions, value: unknown, expectedType?: string): Refusal[] {
  const type = (value as { resourceType?: unknown } | null)?.resourceType;
  if (typeof type !== "string") {
    return [
      { kind: "structure", detail: "The body has no resourceType. Send one FHIR resource as JSON.", status: 400 },
    ];
  }
  if (expectedType !== undefined && type !== expectedType) {
    const detail = `The body is a ${type}, the address is for ${expectedType}. Send it to the address of its type.`;
    return [{ kind: "invalid", detail, at: "resourceType", status: 400 }];
  }
  if (!definitions.has(type)) return [unknownType(type)];
  const id = (value as { id?: unknown }).id;
  if (id !== undefined && (typeof id !== "string" || !idShape.test(id))) {
    const detail = "An id has 1 to 64 letters, digits, hyphens and dots.";
    return [{ kind: "value", detail, at: `${type}.id`, status: 400 }];
  }
  const resource = value as Resource;
  const empty = emptyMembers(resource, type);
  if (empty.length > 0) return empty.slice(0, mostIssues);
  const found = issuesOf(resource, undefined);
  // Only a resource that R4 itself allows is worth a look through its profiles.
  if (found.length > 0) return found.map(refusalOf);
  return claimedProfiles(definitions, resource)
    .flatMap((profile) => issuesOf(resource, profile))
    .map(refusalOf);
}

/** Profiles in `meta.profile` that are known here; others cannot be checked and are let pass, as R4 allows. */
function claimedProfiles(definitions: Definitions, resource: Resource): StructureDefinition[] {
  const claimed = resource.meta?.profile ?? [];
  return claimed.flatMap((url) => definitions.profile(url.split("|")[0] ?? url) ?? []);
}

function issuesOf(resource: Resource, profile: StructureDefinition | undefined): OperationOutcomeIssue[] {
  return findings(resource, profile).filter(isError).slice(0, mostIssues);
}

function findings(resource: Resource, profile: StructureDefinition | undefined): OperationOutcomeIssue[] {
  try {
    return validateResource(resource, profile === undefined ? {} : { profile });
  } catch (error) {
    if (!(error instanceof OperationOutcomeError)) throw error;
    return error.outcome.issue ?? [];
  }
}

/** Empty arrays and objects, which FHIR JSON forbids (https://hl7.org/fhir/R4/json.html) and the validator lets pass. */
function emptyMembers(value: unknown, path: string): Refusal[] {
  if (typeof value !== "object" || value === null) return [];
  const members = Array.isArray(value)
    ? value.map((one, i) => [`${path}[${i}]`, one] as const)
    : Object.entries(value).map(([name, one]) => [`${path}.${name}`, one] as const);
  if (members.length === 0) {
    const detail = "An empty array or object is not allowed in FHIR. Leave the element out.";
    return [{ kind: "structure", detail, at: path, status: 400 }];
  }
  return members.flatMap(([at, one]) => emptyMembers(one, at));
}

/** The refusal of a resource type that is not switched on here. */
export function unknownType(type: string): Refusal {
  return {
    kind: "not-supported",
    detail: `The resource type "${type.slice(0, 64)}" is not switched on here. /metadata lists those that are.`,
    status: 404,
  };
}

/** What R4 forbids and `@medplum/core` only warns of: two types of one choice element. */
const alsoErrors = /^Conflicting choice of type/;

function isError(issue: OperationOutcomeIssue): boolean {
  return issue.severity === "error" || issue.severity === "fatal" || alsoErrors.test(issue.details?.text ?? "");
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
