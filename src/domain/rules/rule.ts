import type { Finding } from "../finding.ts";
import type { Picture } from "../picture.ts";

/** What a reader is told about a rule. */
export interface RuleText {
  /** Kebab case; also the code of the Tasks it raises. */
  readonly code: string;
  readonly title: string;
  /** Where the rule and its defaults come from. */
  readonly source: string;
}

/** One question that a rule asks on its way to a finding, answered. */
export interface Step {
  /** Kebab case; names the question within its rule. */
  readonly name: string;
  /** The answer in plain words, with its numbers. */
  readonly text: string;
  /** Whether the answer is what the rule looks for. */
  readonly holds: boolean;
  readonly value?: number;
  /** What `value` is held against. */
  readonly threshold?: number;
  /** UCUM, of both numbers. */
  readonly unit?: string;
  /** Where the threshold comes from. */
  readonly source?: string;
  /** `Type/id` of the resource it came from. */
  readonly reference?: string;
}

/** What a rule asked about one subject, up to the first answer that it does not look for; a finding when all hold. */
export interface Examination {
  /** `therapy`, or `Type/id`. */
  readonly subject: string;
  readonly steps: readonly Step[];
  readonly finding?: Finding;
}

/** One rule of the review. */
export interface Rule extends RuleText {
  /**
   * Examines a picture on the picture's day. A rule about the therapy as a whole answers one examination always; one
   * about flags, parts or devices answers one for each there is, so none for none. Expects each session once, sorted by
   * start, as `review` hands them over.
   */
  readonly examine: (picture: Picture) => readonly Examination[];
}
