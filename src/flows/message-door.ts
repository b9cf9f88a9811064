import type { ReceivedMoment } from "../domain/received-person.ts";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import {
  type Header,
  isHeaderAlone,
  type ReadMessage,
  readMessage,
  segmentsOf,
  textAt,
} from "../intake/hl7v2/message.ts";
import { offsetOf, readTime, type TimePlace } from "../intake/hl7v2/time.ts";
import type { MessageSettings } from "./message-settings.ts";
import { visitEvents } from "./receive-adt.ts";

/** A message that is one to take: read, with its event's moment. */
export interface TakenMessage {
  readonly message: ReadMessage;
  readonly place: TimePlace;
  readonly event: ReceivedMoment;
}

const futureToleranceMs = 5 * 60_000;

/** Events about two records or a moved visit. */
const mergeEvents = ["A40", "A45", "A47"];

/** Trigger events of ADT that are taken. */
export const adtEvents: readonly string[] = [...Object.keys(visitEvents), ...mergeEvents];

/**
 * Whether this service takes a message, whatever it says of people: its type, version, processing id, control id and character
 * set, and when it happened. What is refused here is refused at the door (CE and CR in the enhanced mode).
 */
export function atTheDoor(
  bytes: Uint8Array,
  header: Header,
  settings: MessageSettings,
  { nowMs, zone }: { readonly nowMs: number; readonly zone: string },
): Result<TakenMessage> {
  // A link begins with a message without content (HL7 v2.3, 2.23.1 and 2.25.3); all that it asks is which number comes next.
  if (header.sequenceNumber.trim() === "0" && isHeaderAlone(bytes)) return accepted(linkStart(header, { nowMs, zone }));
  const unfit = headerRefusals(header, settings);
  if (unfit.length > 0) return refused(...unfit);
  const message = readMessage(bytes, header, settings.unnamedCharacterSet);
  if (!message.ok) return message;
  const offset = offsetOf(header.sentAt);
  const place: TimePlace = { zone, ...(offset === undefined ? {} : { offset }) };
  const event = eventOf(message.value, header, place);
  if (event === undefined) return refused(noMoment);
  if (event.ms > nowMs + futureToleranceMs) return refused(inTheFuture);
  return accepted({ message: message.value, place, event });
}

function linkStart({ delimiters }: Header, at: { readonly nowMs: number; readonly zone: string }): TakenMessage {
  return {
    message: { delimiters, characterSet: "ASCII", segments: [] },
    place: { zone: at.zone },
    event: { text: new Date(at.nowMs).toISOString(), ms: at.nowMs },
  };
}

/** Codes whose refusal is a reject (AR, CR): another receiver may take the message, this one never. */
export const rejected: ReadonlySet<string> = new Set(["MSH-9.1", "MSH-9.2", "MSH-11", "MSH-12"]);

function headerRefusals(header: Header, settings: MessageSettings): Refusal[] {
  const { messageCode, triggerEvent, controlId, processingId, version } = header;
  const refusals: Refusal[] = [];
  if (controlId.trim() === "" || controlId.length > 199) {
    const detail = "MSH-10 must hold a control id of at most 199 characters: by it a resend is known.";
    refusals.push({ kind: "required", detail, at: "MSH-10" });
  }
  if (!/^2\.\d/.test(version)) {
    refusals.push({
      kind: "not-supported",
      detail: "MSH-12 must name a version of HL7 v2, such as 2.5.1.",
      at: "MSH-12",
    });
  }
  if (!settings.processingIds.includes(processingId)) {
    const detail = `MSH-11 must be ${settings.processingIds.join(" or ")}: records of training and tests do not stand among real ones.`;
    refusals.push({ kind: "not-supported", detail, at: "MSH-11" });
  }
  if (messageCode !== "ADT" && messageCode !== "ORU") {
    refusals.push({ kind: "not-supported", detail: "Only ADT and ORU messages are taken (MSH-9).", at: "MSH-9.1" });
  } else if (!(messageCode === "ADT" ? adtEvents : ["R01"]).includes(triggerEvent)) {
    const detail = `This event is not taken. Those of ADT are ${adtEvents.join(", ")}; of ORU it is R01.`;
    refusals.push({ kind: "not-supported", detail, at: "MSH-9.2" });
  }
  return refusals;
}

/** EVN-2 says when it was recorded; a message without it tells by MSH-7 when it was made. */
function eventOf(message: ReadMessage, header: Header, place: TimePlace): ReceivedMoment | undefined {
  const [evn] = segmentsOf(message, "EVN");
  const recorded = evn === undefined ? "" : textAt(message, evn, { field: 2 });
  const time = readTime(recorded === "" ? header.sentAt : recorded, place);
  return time && { text: time.text, ms: time.ms };
}

const noMoment: Refusal = {
  kind: "required",
  detail: "EVN-2, or MSH-7, must say when it happened: by it an older message never overwrites a newer one.",
  at: "MSH-7",
};

const inTheFuture: Refusal = {
  kind: "value",
  detail: "The event lies in the future of this service's clock. Set the clock of the sender and send it again.",
  at: "MSH-7",
};
