import { Hl7Message } from "@medplum/core";
import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { type CharacterSet, characterSetOf, decoded } from "./charset.ts";
import { type Delimiters, unescaped } from "./escapes.ts";

/** One segment: `PID` with its fields, each a list of repetitions of components, still escaped. */
export interface Segment {
  readonly name: string;
  /** Field 1 stands at index 1; of MSH too, whose first field is the separator itself. */
  readonly fields: readonly (readonly (readonly string[])[])[];
}

/** A message taken apart; what it means is not known yet. */
export interface ReadMessage {
  readonly delimiters: Delimiters;
  readonly characterSet: CharacterSet;
  readonly segments: readonly Segment[];
}

/** What an acknowledgement and the choice of a reader need, as far as the first segment tells: never more than text. */
export interface Header {
  readonly delimiters: Delimiters;
  readonly sendingApplication: string;
  readonly sendingFacility: string;
  readonly receivingApplication: string;
  readonly receivingFacility: string;
  /** MSH-7 as it stands. */
  readonly sentAt: string;
  /** Such as ADT and A01. */
  readonly messageCode: string;
  readonly triggerEvent: string;
  readonly controlId: string;
  /** P for production, T for training, D for debugging. */
  readonly processingId: string;
  readonly version: string;
  /** MSH-13 as it stands. */
  readonly sequenceNumber: string;
  /** MSH-15 and MSH-16: both empty means the original mode of acknowledging. */
  readonly acceptAcknowledgement: string;
  readonly applicationAcknowledgement: string;
  readonly characterSet: string;
}

const mostSegments = 20_000;

/** The characters in which MSH itself is read: all sets that are read hold ASCII in the same places. */
const plain = "latin1";

/** Reads MSH alone, whatever the rest is made of; refused where the bytes are no HL7 v2 message. */
export function readHeader(bytes: Uint8Array): Result<Header> {
  const start = startOf(bytes);
  const line = Buffer.from(bytes.subarray(start, endOfLine(bytes, start))).toString(plain);
  if (/^(FHS|BHS)/.test(line)) return refused(batch);
  const delimiters = delimitersOf(line);
  if (delimiters === undefined) return refused(notAMessage);
  if (line.includes("\0")) return refused(holdsNull);
  const fields = line.split(delimiters.field);
  // MSH-1 is the separator, so field 3 is the third of the parts.
  const field = (index: number) => (fields[index - 1] ?? "").split(delimiters.repetition)[0] ?? "";
  const component = (index: number, which: number) => field(index).split(delimiters.component)[which - 1] ?? "";
  return accepted({
    delimiters,
    sendingApplication: field(3),
    sendingFacility: field(4),
    receivingApplication: field(5),
    receivingFacility: field(6),
    sentAt: component(7, 1),
    messageCode: component(9, 1),
    triggerEvent: component(9, 2),
    controlId: field(10),
    processingId: component(11, 1),
    version: component(12, 1),
    sequenceNumber: field(13),
    acceptAcknowledgement: field(15),
    applicationAcknowledgement: field(16),
    characterSet: field(18),
  });
}

/** Takes a whole message apart, in the character set that its header names. */
export function readMessage(bytes: Uint8Array, header: Header, unnamedSet?: CharacterSet): Result<ReadMessage> {
  const set = characterSetOf(header.characterSet, unnamedSet);
  if (!set.ok) return set;
  const text = decoded(bytes.subarray(startOf(bytes)), set.value);
  if (!text.ok) return text;
  if (text.value.includes("\0")) return refused(holdsNull);
  const lines = text.value.split(/[\r\n]+/).filter((line) => line.trim() !== "");
  if (lines.length > mostSegments) return refused(tooManySegments);
  const parsed = Hl7Message.parse(lines.join("\r"));
  return accepted({
    delimiters: header.delimiters,
    characterSet: set.value,
    segments: parsed.segments.map(({ name, fields }) => ({
      name,
      fields: (name === "MSH" ? [fields[0], ...fields] : fields).map((field) => field?.components ?? []),
    })),
  });
}

/** Whether nothing follows MSH: such a message has no content, and only asks or tells how its sender goes on. */
export function isHeaderAlone(bytes: Uint8Array): boolean {
  return bytes.subarray(endOfLine(bytes, startOf(bytes))).every((byte) => byte === 0x0d || byte === 0x0a);
}

/** Every segment of a name, in their order. */
export function segmentsOf(message: ReadMessage, name: string): Segment[] {
  return message.segments.filter((segment) => segment.name === name);
}

/** A part of a segment by its numbers as the standard counts them, from 1; empty where nothing stands there. */
export interface Place {
  readonly field: number;
  readonly repetition?: number;
  readonly component?: number;
  readonly subcomponent?: number;
}

/** The text of a place without its escapes; an empty text where nothing stands there, `""` where the value is to go. */
export function textAt(message: ReadMessage, segment: Segment, place: Place): string {
  const { field, repetition = 1, component = 1, subcomponent = 1 } = place;
  const raw = segment.fields[field]?.[repetition - 1]?.[component - 1] ?? "";
  const part = raw.split(message.delimiters.subcomponent)[subcomponent - 1] ?? "";
  return unescaped(part, message.delimiters, message.characterSet).trim();
}

/** How often a field is repeated; 0 where it is empty. */
export function repetitionsOf(segment: Segment, field: number): number {
  const repetitions = segment.fields[field] ?? [];
  return repetitions.some((components) => components.some((one) => one !== "")) ? repetitions.length : 0;
}

/** How HL7 writes that a value is to be taken away (v2.5.1, 2.5.3.2). */
export const nullValue = '""';

/** White space before MSH is no part of a message, nor is a mark of the byte order. */
function startOf(bytes: Uint8Array): number {
  let at = bytes[0] === 0xef && bytes[1] === 0xbb && bytes[2] === 0xbf ? 3 : 0;
  while (at < bytes.length && [0x0a, 0x0d, 0x20, 0x09].includes(bytes[at] ?? 0)) at += 1;
  return at;
}

function endOfLine(bytes: Uint8Array, from: number): number {
  for (let at = from; at < bytes.length; at += 1) if (bytes[at] === 0x0d || bytes[at] === 0x0a) return at;
  return bytes.length;
}

function delimitersOf(line: string): Delimiters | undefined {
  if (!line.startsWith("MSH")) return undefined;
  const [field = "", component = "", repetition = "", escaping = "", subcomponent = ""] = line.slice(3, 8);
  const all = [field, component, repetition, escaping, subcomponent];
  const isUsable = all.every((one) => /^[!-/:-@[-`{-~]$/.test(one)) && new Set(all).size === all.length;
  return isUsable ? { field, component, repetition, escape: escaping, subcomponent } : undefined;
}

const notAMessage: Refusal = {
  kind: "structure",
  detail: "This is no HL7 v2 message: it must begin with MSH and five different delimiters, as in MSH|^~\\&|.",
  at: "MSH",
};

const batch: Refusal = {
  kind: "not-supported",
  detail: "Batches (FHS, BHS) are not taken. Send each message of it by itself, beginning with MSH.",
  at: "MSH",
};

const holdsNull: Refusal = {
  kind: "invalid",
  detail: "The message holds the character U+0000, which no text may. Take it out and send the message again.",
  at: "MSH",
};

const tooManySegments: Refusal = {
  kind: "too-long",
  detail: `The message has more than ${mostSegments} segments. Send it in parts.`,
  at: "MSH",
};
