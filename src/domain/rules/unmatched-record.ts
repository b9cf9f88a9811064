import type { Finding } from "../finding.ts";
import type { LocalDay } from "../time.ts";
import type { RuleText } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

const MOST_SHOWN = 10;

/** The rule that is about no patient's picture: it comes from what was received. */
export const unmatchedRecord: RuleText = {
  code: "unmatched-record",
  title: "Record that matches no patient",
  source: "At once: choice of this service, no published source.",
};

/** What was received for one device and could not be given to a patient. */
export interface UnmatchedRecord {
  /** `system|value`. */
  readonly deviceIdentifier: string;
  /** ids of the DocumentReferences, in any order. */
  readonly uploadIds: readonly string[];
  /** Sessions held back. */
  readonly refusedCount: number;
  readonly firstReceivedDay: LocalDay;
  /** The device is not registered, or nobody had it at the time recorded. */
  readonly reason: "unknown-device" | "device-with-nobody";
}

/** The finding that records of one device reach no patient; its subject is `device:<identifier>`. */
export function unmatchedRecordFinding(record: UnmatchedRecord): Finding {
  const uploads = [...new Set(record.uploadIds)].sort();
  const [why, remedy] =
    record.reason === "unknown-device"
      ? ["no device with this identifier is registered", "The device is registered and handed over to a patient"]
      : ["no patient had the device at the time", "It is recorded which patient had the device at that time"];
  return {
    rule: unmatchedRecord.code,
    subject: `device:${record.deviceIdentifier}`,
    severity: "review",
    safety: false,
    sinceDay: record.firstReceivedDay,
    text: `${counted(record.refusedCount, "session")} in ${counted(uploads.length, "upload")} from device ${record.deviceIdentifier}, the first received on ${dayInWords(record.firstReceivedDay)}, could not be given to a patient: ${why}.`,
    evidence: [
      { name: "sessions-held-back", text: `Held back because ${why}.`, value: record.refusedCount, unit: "1" },
      ...uploads.slice(0, MOST_SHOWN).map((uploadId) => ({
        name: "upload",
        text: "Upload as received.",
        reference: `DocumentReference/${uploadId}`,
      })),
    ],
    clearsWhen: `${remedy}, and the uploads are read again.`,
    ...(uploads[0] !== undefined && { focus: `DocumentReference/${uploads[0]}` }),
  };
}
