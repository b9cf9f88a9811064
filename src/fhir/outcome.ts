import type { OperationOutcome, OperationOutcomeIssue } from "@medplum/fhirtypes";
import type { Refusal, RefusalKind } from "../domain/result.ts";

/** A refusal as a door sees it: the domain's kinds, and what only a door can meet. */
export type Refused = Omit<Refusal, "kind"> & { readonly kind: RefusalKind | "exception" | "throttled" };

/** HTTP status of each kind of refusal where the refusal itself names none (https://hl7.org/fhir/R4/http.html). */
const statuses: Readonly<Record<Refused["kind"], number>> = {
  invalid: 400,
  structure: 400,
  required: 422,
  value: 422,
  invariant: 422,
  login: 401,
  forbidden: 403,
  "not-supported": 400,
  duplicate: 409,
  "multiple-matches": 412,
  "not-found": 404,
  deleted: 410,
  "too-long": 413,
  "code-invalid": 422,
  "too-costly": 422,
  "business-rule": 422,
  conflict: 409,
  processing: 422,
  throttled: 429,
  exception: 500,
};

/** The status that answers these refusals: that of the first. */
export function statusOf(refusals: readonly Refused[]): number {
  const [first] = refusals;
  return first === undefined ? 400 : (first.status ?? statuses[first.kind]);
}

/** Refusals as an OperationOutcome; `expression` names the element where there is one. */
export function outcomeOf(refusals: readonly Refused[]): OperationOutcome {
  return { resourceType: "OperationOutcome", issue: refusals.map((refusal) => issueOf(refusal, "error")) };
}

/** One issue of an outcome, as an error or as a warning beside an answer. */
export function issueOf(refusal: Refused, severity: "error" | "warning"): OperationOutcomeIssue {
  return {
    severity,
    // The R4 issue type for a lost or missing login is `login`, all other kinds are spelled as the code itself.
    code: refusal.kind,
    details: { text: refusal.detail },
    diagnostics: refusal.detail,
    ...(refusal.at === undefined ? {} : { expression: [refusal.at] }),
  };
}

/** The outcome of something that went well. */
export function successOutcome(text: string): OperationOutcome {
  return {
    resourceType: "OperationOutcome",
    issue: [{ severity: "information", code: "informational", details: { text }, diagnostics: text }],
  };
}
