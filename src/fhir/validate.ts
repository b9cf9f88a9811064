import type { OperationOutcome } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { Definitions } from "./definitions.ts";
import { issueOf, successOutcome } from "./outcome.ts";
import { type OperationInput, readParameters } from "./parameters.ts";
import { checkResource, isKnownProfile, resourceWarnings } from "./resource-check.ts";

/** What a validation is for (https://hl7.org/fhir/R4/valueset-resource-validation-mode.html). */
export const validationModes = ["create", "update", "delete", "profile"] as const;

/** One of those. */
export type ValidationMode = (typeof validationModes)[number];

/** What `$validate` was asked: a resource, or the stored one that the address names. */
export interface ValidationRequest {
  /** Absent where the resource of the address itself is meant. */
  readonly resource?: unknown;
  readonly mode?: ValidationMode;
  /** A profile to check against beside those the resource claims. */
  readonly profile?: string;
}

/** What was found: what a write would be refused for, and what its sender would want to know. */
export interface ValidationFindings {
  readonly errors: readonly Refusal[];
  readonly warnings: readonly Refusal[];
}

/**
 * Reads the input of `$validate` (https://hl7.org/fhir/R4/resource-operation-validate.html): a Parameters resource, the
 * resource itself, or the address alone. `level` is what the address names: modes update, delete and profile are about
 * one that is stored.
 */
export function readValidation(input: OperationInput, level: "type" | "instance"): Result<ValidationRequest> {
  const rules = { resource: { type: "Resource" }, mode: { type: "code" }, profile: { type: "uri" } } as const;
  const read = readParameters(rules, input, "resource");
  if (!read.ok) return read;
  const { resource, profile } = read.value;
  const mode = validationModes.find((one) => one === read.value.mode);
  if (read.value.mode !== undefined && mode === undefined) {
    return refusal(
      `There is no mode "${read.value.mode.slice(0, 64)}". It is one of: ${validationModes.join(", ")}.`,
      "mode",
    );
  }
  if (level === "type" && mode !== undefined && mode !== "create") {
    return refusal(`Mode ${mode} is about a stored resource. Ask at [type]/[id]/$validate.`, "mode");
  }
  if (mode === "profile" && profile === undefined)
    return refusal("Mode profile needs the profile to check.", "profile");
  if (mode === "profile" && resource !== undefined) {
    return refusal("Mode profile checks the stored resource. Leave the resource out.", "resource");
  }
  if (resource === undefined && (level === "type" || mode === "create" || mode === "update")) {
    return refusal("There is no resource to validate. Send it as the body, or as the parameter resource.", "resource");
  }
  return accepted({
    ...(resource === undefined ? {} : { resource: resource.value }),
    ...(mode === undefined ? {} : { mode }),
    ...(profile === undefined ? {} : { profile }),
  });
}

function refusal(detail: string, at: string): Result<never> {
  return refused({ kind: "invalid", detail, at, status: 400 });
}

/** What stands against the content of a resource at the address of a type, and of which it would be good to know. */
export function contentFindings(
  definitions: Definitions,
  resource: unknown,
  type: string,
  profile: string | undefined,
): ValidationFindings {
  const profiles = profile === undefined ? [] : [profile];
  const errors = checkResource(definitions, resource, type, { profiles });
  if (profile !== undefined && !isKnownProfile(definitions, profile, type)) {
    const detail = `The profile ${profile.slice(0, 200)} is not known here, so nothing can be said about it.`;
    errors.push({ kind: "not-supported", detail, status: 422 });
  }
  return { errors, warnings: resourceWarnings(definitions, resource) };
}

/** The answer of `$validate`: errors before warnings, "All OK" where there is neither. */
export function validationOutcome({ errors, warnings }: ValidationFindings): OperationOutcome {
  const issue = [...errors.map((one) => issueOf(one, "error")), ...warnings.map((one) => issueOf(one, "warning"))];
  return issue.length === 0 ? successOutcome("All OK") : { resourceType: "OperationOutcome", issue };
}
