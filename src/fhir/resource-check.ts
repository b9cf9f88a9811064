import { OperationOutcomeError, validateResource } from "@medplum/core";
import type { OperationOutcomeIssue, Resource } from "@medplum/fhirtypes";
import type { Refusal, RefusalKind } from "../domain/result.ts";
import type { Definitions } from "./definitions.ts";

const idShape = /^[A-Za-z0-9\-.]{1,64}$/;
const mostIssues = 50;

/**
 * Checks a parsed resource against the R4 definitions: type switched on, structure, cardinality, data types and
 * invariants. An empty list means that it may be stored.
 */
export function checkResource(definitions: Definitions, value: unknown, expectedType?: string): Refusal[] {
  const type = (value as { resourceType?: unknown }).resourceType;
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
  try {
    return validateResource(value as Resource)
      .filter(isError)
      .slice(0, mostIssues)
      .map(refusalOf);
  } catch (error) {
    if (!(error instanceof OperationOutcomeError)) throw error;
    return (error.outcome.issue ?? []).filter(isError).slice(0, mostIssues).map(refusalOf);
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

function refusalOf(issue: OperationOutcomeIssue): Refusal {
  const [at] = issue.expression ?? [];
  return {
    kind: (issue.code ?? "invalid") as RefusalKind,
    detail: issue.details?.text ?? issue.diagnostics ?? "The resource does not conform to R4.",
    ...(at === undefined ? {} : { at }),
    status: issue.code === "structure" ? 400 : 422,
  };
}
