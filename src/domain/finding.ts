import type { LocalDay } from "./time.ts";

/** How much a finding presses. `information` is shown and raises no Task. */
export type Severity = "information" | "review" | "urgent";

/** One number or statement that a finding rests on. */
export interface Evidence {
  /** Own code, kebab case, for instance `sessions-done`. */
  readonly name: string;
  readonly text: string;
  readonly value?: number;
  /** UCUM. */
  readonly unit?: string;
  /** `Type/id` of the resource it came from. */
  readonly reference?: string;
}

/** What a rule found in one picture on one day. */
export interface Finding {
  readonly rule: string;
  /** What within the patient it is about: `therapy`, or `Type/id`. Part of the deduplication key. */
  readonly subject: string;
  readonly severity: Severity;
  /** A safety finding is never held back by cool-down or by low coverage. */
  readonly safety: boolean;
  /** The first day on which it held, as far as the records tell. */
  readonly sinceDay: LocalDay;
  /** Plain words: what was found, on what numbers. */
  readonly text: string;
  readonly evidence: readonly Evidence[];
  readonly clearsWhen: string;
  /** `Type/id` of what the reader should open. */
  readonly focus?: string;
  /** Which thresholds were in force; `review` puts it on every finding. */
  readonly thresholdsVersion?: string;
}
