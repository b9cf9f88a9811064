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

/** One rule of the review: what it finds in a picture, on the picture's day. Empty: nothing found. */
export interface Rule extends RuleText {
  /** Expects each session once, sorted by start, as `review` hands them over. */
  readonly find: (picture: Picture) => Finding[];
}
