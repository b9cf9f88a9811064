import type { Socket } from "node:net";
import { TLSSocket } from "node:tls";
import type { AuditEntry } from "../fhir/audit-event.ts";
import type { AuditBuffer } from "../flows/audit-buffer.ts";
import { causedBy } from "../flows/cause.ts";
import { type MessageReport, refusedUnkept } from "../flows/message-answer.ts";
import { type MessageSender, type SendingClient, sendingClient } from "../flows/message-sender.ts";
import type { MessageSettings } from "../flows/message-settings.ts";
import { messageContentType, receiveMessage } from "../flows/receive-message.ts";
import type { Service } from "../flows/service.ts";
import { audited, writtenEntry } from "../flows/trail.ts";
import { acknowledgementBytes } from "../intake/hl7v2/acknowledgement.ts";
import { readHeader } from "../intake/hl7v2/message.ts";
import { framed, frameReader } from "./frames.ts";

/** What the listener is handed. */
export interface MllpDoors {
  readonly service: Service;
  readonly trail: Pick<AuditBuffer, "add" | "touch">;
  readonly settings: MessageSettings;
  readonly senders: readonly MessageSender[];
}

/** Bounds of one connection. */
export interface ConnectionLimits {
  readonly maxFrameBytes: number;
  /** A connection on which nothing comes is closed after this. */
  readonly idleMs: number;
  /** From the first byte of a frame to its last. */
  readonly frameMs: number;
}

/** One connection, for the listener to close. */
export interface MllpConnection {
  /** Ends it as soon as no message is on its way in. */
  stop(): void;
  readonly done: Promise<void>;
}

/** What goes back and forth about messages and is answered by nobody, or two systems would thank each other for ever. */
const acknowledgements = ["ACK", "MCF"];

/** Attempts that nobody could tell belong to no tenant. */
const noTenant = 0;

/**
 * Takes messages from one connection, one after the other: the next one is not read before the last was answered. What comes in
 * between waits in the sender's own buffers. A failure of ours closes the connection without an answer, so that the message comes
 * again; a frame that was cut leaves nothing behind.
 */
export function openConnection(socket: Socket, doors: MllpDoors, limits: ConnectionLimits): MllpConnection {
  let [busy, stopping] = [false, false];
  let cutOff: NodeJS.Timeout | undefined;
  const reader = frameReader(limits.maxFrameBytes);
  socket.setTimeout(limits.idleMs, () => {
    if (!busy) socket.destroy();
  });
  socket.on("error", () => undefined);

  const run = async () => {
    for await (const chunk of socket.iterator({ destroyOnReturn: false }) as AsyncIterable<Buffer>) {
      const { messages, broken } = reader.push(chunk);
      busy = true;
      for (const message of messages) {
        if (!(await answer(socket, doors, message, limits)) || stopping) return;
      }
      busy = false;
      if (broken !== undefined) {
        doors.service.log.warn({ broken }, "an MLLP connection was closed: its sender is out of step");
        if (broken === "too-long") await write(socket, tooLong(doors, limits.maxFrameBytes), limits);
        return;
      }
      // The time of a frame runs from its first byte: one that trickles in may not hold the connection.
      if (!reader.isWithin() || messages.length > 0) {
        clearTimeout(cutOff);
        cutOff = undefined;
      }
      if (reader.isWithin()) cutOff ??= setTimeout(() => socket.destroy(), limits.frameMs);
      if (stopping) return;
    }
  };
  const done = run()
    .catch(() => undefined)
    .finally(() => {
      clearTimeout(cutOff);
      socket.end();
      socket.destroySoon();
    });
  return {
    stop: () => {
      stopping = true;
      if (!busy) socket.destroy();
    },
    done,
  };
}

function tooLong({ service }: MllpDoors, maxBytes: number): Buffer {
  const detail = `The message is longer than ${maxBytes} bytes. Send it in parts, or raise MAX_BODY_BYTES.`;
  const { answers } = refusedUnkept(service, Buffer.alloc(0), [{ kind: "too-long", detail }]);
  return framed(Buffer.from(answers.application ?? "", "latin1"));
}

/** Answers one message; false where the connection must end without an answer. */
async function answer(socket: Socket, doors: MllpDoors, bytes: Buffer, limits: ConnectionLimits): Promise<boolean> {
  const header = readHeader(bytes);
  if (header.ok && acknowledgements.includes(header.value.messageCode)) return true;
  try {
    const { answers, characterSet } = await taken(socket, doors, bytes);
    for (const text of [answers.accept, answers.application])
      if (text !== undefined) await write(socket, framed(acknowledgementBytes(text, characterSet)), limits);
    return true;
  } catch (error) {
    doors.service.log.error(
      { code: (error as { code?: string }).code },
      "a message was not answered, so it will come again",
    );
    return false;
  }
}

async function taken(
  socket: Socket,
  doors: MllpDoors,
  bytes: Buffer,
): Promise<Pick<MessageReport, "answers" | "characterSet">> {
  const { service, trail, settings, senders } = doors;
  const client = await sendingClient(service, senders, bytes, commonNameOf(socket));
  const about = entryOf(doors, socket, client.ok ? client.value : undefined);
  if (!client.ok) {
    await trail.add(noTenant, {
      ...about,
      kind: "login",
      action: "E",
      outcome: "4",
      reason: "No sender of this name.",
    });
    return refusedUnkept(service, bytes, client.refusals);
  }
  let noted = false;
  const marking = audited(
    causedBy(service, { requestId: about.requestId }),
    trail,
    (written) => (written.length === 0 ? undefined : { ...about, ...writtenEntry(written) }),
    () => {
      noted = true;
    },
  );
  const { tenantId, clientId } = client.value;
  const arrived = { bytes, clientId, contentType: messageContentType };
  const report = await receiveMessage(marking, tenantId, settings, arrived);
  if (!report.ok) {
    await trail.add(tenantId, { ...about, outcome: "4", reason: "Erased before." });
    return refusedUnkept(service, bytes, report.refusals);
  }
  const { messageId, status, reason, patientIds } = report.value;
  if (!noted) {
    const refusedBecause = status === "accepted" ? {} : { outcome: "4" as const, reason: `Refused: ${reason}.` };
    await trail.add(tenantId, { ...about, patientIds, entities: [`Message ${messageId}`], ...refusedBecause });
  }
  return report.value;
}

function entryOf({ service }: MllpDoors, socket: Socket, client: SendingClient | undefined): AuditEntry {
  return {
    atMs: service.now(),
    clientId: client?.clientId ?? "",
    ...(client === undefined ? {} : { clientName: client.clientName }),
    action: "C",
    kind: "upload",
    outcome: "0",
    route: "MLLP",
    requestId: service.newId(),
    patientIds: [],
    entities: [],
    ...(socket.remoteAddress === undefined ? {} : { address: socket.remoteAddress }),
  };
}

function commonNameOf(socket: Socket): string | undefined {
  if (!(socket instanceof TLSSocket) || !socket.authorized) return undefined;
  const name = socket.getPeerCertificate().subject?.CN;
  return typeof name === "string" ? name : name?.[0];
}

/** Writes an answer; a sender that takes none for as long as a frame may last is closed on, or it would be waited for for ever. */
function write(socket: Socket, bytes: Buffer, { frameMs }: ConnectionLimits): Promise<void> {
  return new Promise((resolve, reject) => {
    const late = setTimeout(() => {
      socket.destroy();
      reject(new Error("an acknowledgement was not taken"));
    }, frameMs);
    socket.write(bytes, (error) => {
      clearTimeout(late);
      if (error) reject(error);
      else resolve();
    });
  });
}
