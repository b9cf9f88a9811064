import type { Refusal } from "../domain/result.ts";
import { type Acknowledgements, acknowledgementText, wantedAcknowledgements } from "../intake/hl7v2/acknowledgement.ts";
import { type Header, readHeader } from "../intake/hl7v2/message.ts";
import type { StoredAnswers } from "../store/message.ts";
import { type Found, nothingFound } from "./message-work.ts";
import type { Service } from "./service.ts";

/** What became of a message, and what its sender is told. */
export interface MessageReport {
  readonly messageId: string;
  readonly status: "accepted" | "refused";
  readonly reason?: string;
  /** Such as ADT^A08; empty where the header could not be read. */
  readonly type: string;
  readonly patientIds: readonly string[];
  /** What was left as it is, and why. */
  readonly notes: readonly string[];
  readonly refusals: readonly Refusal[];
  readonly answers: StoredAnswers;
  /** MSH-18, in which the answers go out. */
  readonly characterSet: string;
}

/** A message that is kept, whatever becomes of it. */
export interface KeptMessage {
  readonly service: Service;
  readonly tenantId: number;
  readonly messageId: string;
  readonly header: Header;
  readonly sender: string;
}

/** The report of what became of a message. */
export function reportOf(
  { messageId, header }: KeptMessage,
  found: Found,
  became: Pick<MessageReport, "status" | "reason" | "refusals" | "answers">,
): MessageReport {
  const type = [header.messageCode, header.triggerEvent].filter((part) => part !== "").join("^");
  const patientIds = [...found.patientIds].sort();
  return { messageId, type, patientIds, notes: found.notes, characterSet: header.characterSet, ...became };
}

/** What stands in the list of what arrived. */
export function keptReport({ type, notes, refusals }: MessageReport, received?: number): object {
  return { type, notes, refusals, ...(received === undefined ? {} : { received }) };
}

/** The answer that was given when the message came first. */
export function answeredBefore(work: KeptMessage, answers: StoredAnswers): MessageReport {
  return reportOf(work, nothingFound(), { status: "accepted", refusals: [], answers });
}

/** The acknowledgements as text. */
export function answersFor(
  { service, header }: { readonly service: Pick<Service, "now" | "newId">; readonly header: Header },
  { accept, application }: Acknowledgements,
  refusals: readonly Refusal[],
  expected: number | undefined,
): StoredAnswers {
  const sentAt = `${new Date(service.now()).toISOString().replace(/[-:T]|\.\d+Z$/g, "")}+0000`;
  const text = (code: NonNullable<typeof accept>) =>
    acknowledgementText(header, {
      code,
      controlId: service.newId().replace(/-/g, "").slice(0, 20),
      sentAt,
      refusals: code === "CA" ? [] : refusals,
      ...(expected === undefined ? {} : { expectedSequenceNumber: expected }),
    });
  return {
    ...(accept === undefined ? {} : { accept: text(accept) }),
    ...(application === undefined ? {} : { application: text(application) }),
  };
}

/** Stands in for a header that could not be read. */
export const unreadableHeader: Header = {
  delimiters: { field: "|", component: "^", repetition: "~", escape: "\\", subcomponent: "&" },
  sendingApplication: "",
  sendingFacility: "",
  receivingApplication: "",
  receivingFacility: "",
  sentAt: "",
  messageCode: "",
  triggerEvent: "",
  controlId: "",
  processingId: "",
  version: "",
  sequenceNumber: "",
  acceptAcknowledgement: "",
  applicationAcknowledgement: "",
  characterSet: "",
};

/** What is told about bytes that were not kept, for nobody could tell whose they are, or that may not come back. */
export function refusedUnkept(
  service: Pick<Service, "now" | "newId">,
  bytes: Uint8Array,
  refusals: readonly Refusal[],
): { readonly answers: StoredAnswers; readonly characterSet: string } {
  const read = readHeader(bytes);
  const header = read.ok ? read.value : unreadableHeader;
  const wanted = wantedAcknowledgements(header, "rejected", true);
  return { answers: answersFor({ service, header }, wanted, refusals, undefined), characterSet: header.characterSet };
}
