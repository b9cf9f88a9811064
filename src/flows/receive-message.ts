import { createHash } from "node:crypto";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { wantedAcknowledgements } from "../intake/hl7v2/acknowledgement.ts";
import { type Header, readHeader } from "../intake/hl7v2/message.ts";
import { queueUnmatchedReview } from "../store/facts.ts";
import { lockText } from "../store/lock.ts";
import { messageStatus, noteMessage, settleMessage } from "../store/message.ts";
import { keepUpload, settleUpload } from "../store/upload.ts";
import { raiseDuplicates } from "./duplicate-tasks.ts";
import {
  answeredBefore,
  answersFor,
  type KeptMessage,
  keptReport,
  type MessageReport,
  reportOf,
  unreadableHeader,
} from "./message-answer.ts";
import { atTheDoor, rejected, type TakenMessage } from "./message-door.ts";
import { checkSequence } from "./message-sequence.ts";
import type { MessageSettings } from "./message-settings.ts";
import { type Found, nothingFound } from "./message-work.ts";
import { receiveAdt } from "./receive-adt.ts";
import { receiveMerges, receiveMovedVisits } from "./receive-merge.ts";
import { receiveObservations } from "./receive-observations.ts";
import type { Service } from "./service.ts";
import { orRollBack, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";

/** A message as it came through a door. */
export interface ArrivedMessage {
  readonly bytes: Uint8Array;
  /** The registered client that it comes from. */
  readonly clientId: string;
  readonly contentType: string;
}

/** The content type under which messages are kept and answered (HL7 over HTTP). */
export const messageContentType = "x-application/hl7-v2+er7";

/**
 * Takes in one HL7 v2 message: kept as received first and for good, then read, matched and stored in one transaction, and
 * acknowledged as it asks for. A sender that never saw the acknowledgement sends it again: the same message under the same
 * control id gets the same acknowledgement and changes nothing. One that was refused is tried again. Refused (without an
 * acknowledgement) only where the content was erased.
 */
export async function receiveMessage(
  service: Service,
  tenantId: number,
  settings: MessageSettings,
  arrived: ArrivedMessage,
  replay: { readonly corrects?: string; readonly sender?: string } = {},
): Promise<Result<MessageReport>> {
  const read = readHeader(arrived.bytes);
  const header = read.ok ? read.value : unreadableHeader;
  const sha256 = createHash("sha256").update(arrived.bytes).digest();
  // A replay stays under the sender it first came from.
  const sender =
    replay.sender ?? [arrived.clientId, header.sendingFacility, header.sendingApplication].join("|").slice(0, 500);
  const messageId = messageIdOf(sender, arrived.bytes, replay.corrects);
  const nowMs = service.now();
  // Two senders may wait for each other here as well; the loser tries again.
  const keeping = await writeInTenant(service, tenantId, async (session) => {
    const { bytes, contentType } = arrived;
    const { isErased, attempts } = await keepUpload(session, {
      uploadId: messageId,
      nowMs,
      contentType,
      contentEncoding: "identity",
      sha256,
      bytes,
    });
    const note = {
      messageId,
      receivedMs: nowMs,
      sender,
      // What has no control id is known by its content.
      controlId: header.controlId.slice(0, 200) || messageId,
      clientId: arrived.clientId,
      messageCode: header.messageCode.slice(0, 20),
      triggerEvent: header.triggerEvent.slice(0, 20),
      ...(replay.corrects === undefined ? {} : { corrects: replay.corrects }),
    };
    const noted = await noteMessage(session, note);
    // So is one whose control id is another's: it is refused, and stands in the list like any other.
    if (noted.messageId !== messageId) await noteMessage(session, { ...note, controlId: messageId });
    return { isErased, noted, again: attempts > 1 };
  });
  const kept = orRollBack(keeping);
  if (kept.isErased) return refused(erasedContent);
  const work = { service, tenantId, messageId, header, sender };
  if (!read.ok)
    return accepted(await refuseMessage(work, { refusals: read.refusals, atTheDoor: true, reason: "unreadable" }));
  if (kept.noted.messageId !== messageId) {
    return accepted(
      await refuseMessage(work, { refusals: [usedControlId], atTheDoor: true, reason: "control-id-used" }),
    );
  }
  if (kept.noted.status === "accepted") return accepted(answeredBefore(work, kept.noted.answers));
  const taken = atTheDoor(arrived.bytes, header, settings, { nowMs: service.now(), zone: service.defaultZone });
  if (!taken.ok) {
    return accepted(await refuseMessage(work, { refusals: taken.refusals, atTheDoor: true, reason: "not-taken" }));
  }
  return accepted(await takeIn(work, settings, taken.value, kept.again));
}

/** Of the bytes and of who sent them: two hospitals may send the same. */
function messageIdOf(sender: string, bytes: Uint8Array, corrects = ""): string {
  const hash = createHash("sha256").update(`${sender}\n${corrects}\n`).update(bytes).digest("hex");
  return `message-${hash.slice(0, 40)}`;
}

async function takeIn(
  work: KeptMessage,
  settings: MessageSettings,
  taken: TakenMessage,
  again: boolean,
): Promise<MessageReport> {
  const { service, tenantId, messageId, header } = work;
  let found = nothingFound();
  let expected: number | undefined;
  const done = await writeInTenant(service, tenantId, async (session) => {
    found = nothingFound();
    await lockText(session, `message ${messageId}`);
    const before = await messageStatus(session, messageId);
    if (before?.status === "accepted") return answeredBefore(work, before.answers);
    const sequence = await checkSequence(session, work);
    expected = sequence.expected;
    if (sequence.refusal !== undefined) {
      found.reason = "out-of-sequence";
      throw new RefusedWrite([sequence.refusal]);
    }
    await deedOf(header, taken)({ service, session, settings, messageId, header, ...taken, found });
    await raiseDuplicates(service, session, found.pairs);
    // What waited for its device does not any more.
    if (again && found.deviceIdentifier !== undefined) queueUnmatchedReview(session, found.deviceIdentifier);
    const answers = answersFor(work, wantedAcknowledgements(header, "taken", false), [], expected);
    const report = reportOf(work, found, { status: "accepted", refusals: [], answers });
    await settleMessage(session, messageId, {
      answers,
      patientIds: report.patientIds,
      eventMs: taken.event.ms,
      ...(sequence.number === undefined ? {} : { sequenceNumber: sequence.number }),
    });
    await settleUpload(session, messageId, {
      status: "accepted",
      report: keptReport(report),
      ...deviceOf(found),
      refusedRecords: [],
    });
    return report;
  });
  if (done.ok) return done.value;
  const isSequence = found.reason === "out-of-sequence";
  return refuseMessage(work, {
    refusals: done.refusals,
    atTheDoor: isSequence,
    reason: found.reason ?? "invalid",
    found,
    eventMs: taken.event.ms,
    ...(expected === undefined ? {} : { expected }),
    // What it says was refused; that it came in its turn stands.
    ...(isSequence ? {} : { inItsTurn: true }),
  });
}

function deedOf({ messageCode, triggerEvent }: Header, { message }: TakenMessage) {
  if (message.segments.length === 0) return async () => undefined;
  if (messageCode === "ORU") return receiveObservations;
  if (triggerEvent === "A40" || triggerEvent === "A47") return receiveMerges;
  return triggerEvent === "A45" ? receiveMovedVisits : receiveAdt;
}

/** Notes that a message was refused, with what is told to its sender; it waits for a person. */
async function refuseMessage(
  work: KeptMessage,
  why: {
    readonly refusals: readonly Refusal[];
    readonly atTheDoor: boolean;
    readonly reason: string;
    readonly found?: Found;
    readonly eventMs?: number;
    readonly expected?: number;
    readonly inItsTurn?: boolean;
  },
): Promise<MessageReport> {
  const { service, tenantId, messageId, header } = work;
  const { refusals, found = nothingFound() } = why;
  const outcome =
    refusals.some(({ at }) => rejected.has(at ?? "")) || why.reason === "unreadable" ? "rejected" : "error";
  const answers = answersFor(work, wantedAcknowledgements(header, outcome, why.atTheDoor), refusals, why.expected);
  const report = reportOf(work, found, { status: "refused", reason: why.reason, refusals, answers });
  const number = Number(header.sequenceNumber.trim());
  const noted = await writeInTenant(service, tenantId, async (session) => {
    await settleMessage(session, messageId, {
      answers,
      patientIds: report.patientIds,
      ...(why.eventMs === undefined ? {} : { eventMs: why.eventMs }),
      ...(why.inItsTurn === true && header.sequenceNumber.trim() !== "" && number !== 0
        ? { sequenceNumber: number }
        : {}),
    });
    await settleUpload(session, messageId, {
      status: "refused",
      reason: why.reason,
      report: keptReport(report, found.received),
      ...deviceOf(found),
      refusedRecords: [],
    });
    await raiseDuplicates(service, session, found.pairs);
    if (found.deviceIdentifier !== undefined) queueUnmatchedReview(session, found.deviceIdentifier);
  });
  orRollBack(noted);
  return report;
}

function deviceOf({ deviceIdentifier, deviceId }: Found) {
  return {
    ...(deviceIdentifier === undefined ? {} : { deviceIdentifier }),
    ...(deviceId === undefined ? {} : { deviceId }),
  };
}

const usedControlId: Refusal = {
  kind: "duplicate",
  detail: "This sender used this control id (MSH-10) before, for another message. Give each message an id of its own.",
  at: "MSH-10",
};

const erasedContent: Refusal = {
  kind: "deleted",
  detail: "This message was erased with the person it told about, and is not taken in again.",
  status: 410,
};
