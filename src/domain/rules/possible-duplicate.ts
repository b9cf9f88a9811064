import type { Finding } from "../finding.ts";
import type { LocalDay } from "../time.ts";
import type { RuleText } from "./rule.ts";
import { dayInWords } from "./wording.ts";

/** The rule about records of people rather than their therapy: it comes from messages. */
export const possibleDuplicate: RuleText = {
  code: "possible-duplicate",
  title: "Two records that may be of one person",
  source: "At once: choice of this service, no published source.",
};

/** Two records that a message put beside each other. */
export interface RecordPair {
  /** ids of the Patients. */
  readonly patientIds: readonly [string, string];
  /**
   * `alike`: the records agree. `shared-number`: both carry a number of the message. `contradicting-merge`: a merge, or the number of
   * one for the other, was asked for and not done. `merged-contradicting`: it was done, and they contradict.
   */
  readonly why: "alike" | "shared-number" | "contradicting-merge" | "merged-contradicting";
  /** The day the message came. */
  readonly day: LocalDay;
}

const reasons = {
  alike: "names and birth date agree and no number that would name one person for good does",
  "shared-number": "a message carried numbers of both",
  "contradicting-merge":
    "a message asked to merge them, or gave one the number of the other, and something speaks against it",
  "merged-contradicting": "a message merged them by trusted numbers, and their names or birth dates contradict",
} as const;

/** The subject of the finding: both ids, whichever came first. */
export function pairSubject(patientIds: readonly [string, string]): string {
  return `records:${[...patientIds].sort().join("+")}`;
}

/** The finding that a person must look at two records; no name stands in it. */
export function possibleDuplicateFinding({ patientIds, why, day }: RecordPair): Finding {
  const [one = "", other = ""] = [...patientIds].sort();
  const isMerged = why === "merged-contradicting";
  const meanwhile = isMerged
    ? "Look whether that was right; docs/hl7v2.md tells how a merge is taken back."
    : "Until somebody decides, both stay as they are.";
  return {
    rule: possibleDuplicate.code,
    subject: pairSubject(patientIds),
    severity: "review",
    safety: false,
    sinceDay: day,
    text: `Patient/${one} and Patient/${other} ${isMerged ? "were made one" : "may be one person"}: ${reasons[why]} (${dayInWords(day)}). ${meanwhile}`,
    evidence: [one, other].map((id) => ({
      name: "record",
      text: "One of the two records.",
      reference: `Patient/${id}`,
    })),
    clearsWhen: isMerged
      ? "A person has looked at the merge and completes this Task."
      : "One of the records is retired in favour of the other, or a link of type seealso says that a person has looked.",
    focus: `Patient/${one}`,
  };
}
