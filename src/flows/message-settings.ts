import type { AuthorityRule } from "../domain/identifier-authority.ts";
import { leastDuplicateScore } from "../domain/identity-doubt.ts";
import type { ResultPolicy } from "../fhir/received/observation.ts";
import type { CharacterSet } from "../intake/hl7v2/charset.ts";

/** How messages are read at this place; docs/hl7v2.md tells each. */
export interface MessageSettings {
  /** Who gives numbers to people. */
  readonly authorities: readonly AuthorityRule[];
  /** Who gives numbers to devices; all of them are believed. */
  readonly deviceAuthorities: readonly AuthorityRule[];
  /** What an empty MSH-18 means. */
  readonly unnamedCharacterSet?: CharacterSet;
  /** Values of MSH-11 that are taken. */
  readonly processingIds: readonly string[];
  readonly results: ResultPolicy;
  /** Score of `$match` from which two records are for a person to look at. */
  readonly duplicateScore: number;
}

/** Without a configuration: every number is claimed only, and nothing but production is taken. */
export const defaultMessageSettings: MessageSettings = {
  authorities: [],
  deviceAuthorities: [],
  processingIds: ["P"],
  results: { unverified: "skip" },
  duplicateScore: leastDuplicateScore,
};
