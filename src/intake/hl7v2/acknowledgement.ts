import type { Refusal } from "../../domain/result.ts";
import { type CharacterSet, characterSetOf, encoded } from "./charset.ts";
import { type Delimiters, escaped } from "./escapes.ts";
import type { Header } from "./message.ts";

/** Codes of HL7 table 0008. */
export type AcknowledgementCode = "AA" | "AE" | "AR" | "CA" | "CE" | "CR";

/** How a message must be answered: the accept acknowledgement first, then that of the application, each where it is wanted. */
export interface Acknowledgements {
  readonly accept?: AcknowledgementCode;
  readonly application?: AcknowledgementCode;
}

/** What became of a message, as far as its sender must know. */
export type Outcome = "taken" | "error" | "rejected";

/**
 * Which acknowledgements a message asks for (HL7 v2.5.1, 2.9.2 and 2.9.3; conditions of table 0155). In the original mode (MSH-15 and
 * MSH-16 empty) there is one. In the enhanced mode a message that could not be kept or was not one to take (`atTheDoor`)
 * has no answer of an application, unless nothing else was asked for.
 */
export function wantedAcknowledgements(
  header: Pick<Header, "acceptAcknowledgement" | "applicationAcknowledgement">,
  outcome: Outcome,
  atTheDoor: boolean,
): Acknowledgements {
  const [accept, application] = [header.acceptAcknowledgement.trim(), header.applicationAcknowledgement.trim()];
  const applicationCode = ({ taken: "AA", error: "AE", rejected: "AR" } as const)[outcome];
  if (accept === "" && application === "") return { application: applicationCode };
  const acceptOutcome = atTheDoor ? outcome : "taken";
  const acceptCode = ({ taken: "CA", error: "CE", rejected: "CR" } as const)[acceptOutcome];
  const withAccept = isWanted(accept, acceptOutcome === "taken");
  const withApplication = isWanted(application, outcome === "taken") && !(atTheDoor && withAccept);
  return {
    ...(withAccept ? { accept: acceptCode } : {}),
    ...(withApplication ? { application: applicationCode } : {}),
  };
}

/** Always, never, on error only, on success only; what is none of these means always: too many answers harm nobody. */
function isWanted(condition: string, isSuccess: boolean): boolean {
  switch (condition.toUpperCase()) {
    case "":
    case "NE":
      return false;
    case "ER":
      return !isSuccess;
    case "SU":
      return isSuccess;
    default:
      return true;
  }
}

/** What one acknowledgement says beside its code. */
export interface AcknowledgementParts {
  readonly code: AcknowledgementCode;
  /** MSH-10 of the acknowledgement itself. */
  readonly controlId: string;
  /** MSH-7: `YYYYMMDDHHMMSS+0000`. */
  readonly sentAt: string;
  readonly refusals: readonly Refusal[];
  /** MSA-4, where the sequence number protocol is used. */
  readonly expectedSequenceNumber?: number;
}

const longest = 1_000;
/** Of MSA-3, in the versions that have it for this (v2.3 gives it 80 characters; from memory). */
const longestText = 80;

/** An acknowledgement as text, segments ended by CR: MSH, MSA and an ERR for each refusal. */
export function acknowledgementText(header: Header, parts: AcknowledgementParts): string {
  const { delimiters } = header;
  const { field, component } = delimiters;
  const plain = (text: string) => escaped(text.slice(0, longest), delimiters);
  const type = header.triggerEvent === "" ? "ACK" : ["ACK", header.triggerEvent, "ACK"].join(component);
  const isOld = /^2\.[1-4]/.test(header.version);
  const refusals = parts.refusals.slice(0, 20);
  const text = isOld ? plain((refusals[0]?.detail ?? "").slice(0, longestText)) : "";
  const segments = [
    [
      `MSH${field}${component}${delimiters.repetition}${delimiters.escape}${delimiters.subcomponent}`,
      // As received, so still escaped; the receiver of the message is the sender of its acknowledgement.
      header.receivingApplication,
      header.receivingFacility,
      header.sendingApplication,
      header.sendingFacility,
      parts.sentAt,
      "",
      type,
      plain(parts.controlId),
      header.processingId || "P",
      header.version || "2.5.1",
      ...(header.characterSet === "" ? [] : ["", "", "", "", "", header.characterSet]),
    ],
    [
      "MSA",
      parts.code,
      header.controlId,
      text,
      ...(parts.expectedSequenceNumber === undefined ? [] : [String(parts.expectedSequenceNumber)]),
    ],
    ...(isOld ? oldErrors(refusals, delimiters) : refusals.map((refusal) => errorSegment(refusal, delimiters))),
  ];
  return segments.map((fields) => `${fields.join(field).replace(new RegExp(`\\${field}+$`), "")}\r`).join("");
}

/** Codes of HL7 table 0357. */
const conditions: Readonly<Record<string, readonly [code: string, text: string]>> = {
  structure: ["100", "Segment sequence error"],
  required: ["101", "Required field missing"],
  invalid: ["102", "Data type error"],
  value: ["102", "Data type error"],
  "code-invalid": ["103", "Table value not found"],
  "not-found": ["204", "Unknown key identifier"],
  duplicate: ["205", "Duplicate key identifier"],
  conflict: ["207", "Application internal error"],
};

/** The one that every version has for what nothing else fits. */
const otherCondition = ["207", "Application internal error"] as const;

/** What the standard calls a message that this receiver does not take (table 0357, 200 to 203). */
const unsupported: Readonly<Record<string, readonly [string, string]>> = {
  "MSH-9.1": ["200", "Unsupported message type"],
  "MSH-9.2": ["201", "Unsupported event code"],
  "MSH-11": ["202", "Unsupported processing id"],
  "MSH-12": ["203", "Unsupported version id"],
};

function errorSegment({ kind, detail, at = "" }: Refusal, delimiters: Delimiters): string[] {
  const { component } = delimiters;
  const [code, text] = unsupported[at] ?? conditions[kind] ?? otherCondition;
  const coded = [code, escaped(text, delimiters), "HL70357"].join(component);
  return ["ERR", "", locationOf(at, component), coded, "E", "", "", "", escaped(detail.slice(0, longest), delimiters)];
}

/** One ERR for all, as it was before v2.5: in its first field the segment, its number, the field, and the code (HL7 v2.3, 2.24.3.1). */
function oldErrors(refusals: readonly Refusal[], delimiters: Delimiters): string[][] {
  const { component, subcomponent, repetition } = delimiters;
  const errors = refusals.map(({ kind, at = "" }) => {
    const [code, text] = unsupported[at] ?? conditions[kind] ?? otherCondition;
    const [segment = "", number = "", field = ""] = locationOf(at, component).split(component);
    return [segment, number, field, [code, escaped(text, delimiters), "HL70357"].join(subcomponent)].join(component);
  });
  return errors.length === 0 ? [] : [["ERR", errors.join(repetition)]];
}

/** `PID-3[2]` as ERL: segment, its number, field, repetition. */
function locationOf(at: string, component: string): string {
  const match = /^([A-Z][A-Z0-9]{2})(?:\[(\d+)\])?(?:-(\d+)(?:\[(\d+)\])?(?:\.(\d+))?)?$/.exec(at);
  if (match === null) return "";
  const [, segment = "", number = "1", field = "", repetition = field === "" ? "" : "1", part = ""] = match;
  return [segment, number, field, repetition, part].join(component).replace(new RegExp(`\\${component}+$`), "");
}

/** An acknowledgement as bytes, in the character set of the message where that is one that is read. */
export function acknowledgementBytes(text: string, characterSet: string): Buffer {
  const set = characterSetOf(characterSet);
  const used: CharacterSet = set.ok ? set.value : "ASCII";
  return encoded(text, used);
}
