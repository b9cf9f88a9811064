/** Why something was refused, spelled as an R4 issue-type code (https://hl7.org/fhir/R4/valueset-issue-type.html). */
export type RefusalKind =
  | "invalid"
  | "structure"
  | "required"
  | "value"
  | "invariant"
  | "login"
  | "forbidden"
  | "not-supported"
  | "duplicate"
  | "multiple-matches"
  | "not-found"
  | "deleted"
  | "too-long"
  | "code-invalid"
  | "too-costly"
  | "business-rule"
  | "conflict"
  | "processing";

/** One expected refusal: `detail` says what to do about it, `at` is the path of the offending element. */
export interface Refusal {
  readonly kind: RefusalKind;
  readonly detail: string;
  readonly at?: string;
  /** HTTP status where the kind alone does not settle it (for instance 412 against 409). */
  readonly status?: number;
}

/** An answer or the list of expected refusals. Broken assumptions throw instead. */
export type Result<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly refusals: readonly Refusal[] };

/** Wraps an answer. */
export function accepted<T>(value: T): Result<T> {
  return { ok: true, value };
}

/** Wraps one or more refusals; at least one is expected. */
export function refused(...refusals: Refusal[]): { readonly ok: false; readonly refusals: readonly Refusal[] } {
  return { ok: false, refusals };
}
