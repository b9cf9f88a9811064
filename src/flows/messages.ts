import { accepted, type Result, refused } from "../domain/result.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { type ListedMessage, listMessages, readStoredMessage } from "../store/message.ts";
import { readUploadBytes, settleUpload } from "../store/upload.ts";
import type { MessageReport } from "./message-answer.ts";
import type { MessageSettings } from "./message-settings.ts";
import { messageContentType, receiveMessage } from "./receive-message.ts";
import type { Service } from "./service.ts";

/** Messages newest first, a page at a time. */
export function messages(
  service: Service,
  tenantId: number,
  options: Parameters<typeof listMessages>[1],
): Promise<ListedMessage[]> {
  return readInTenant(service.database, tenantId, (session) => listMessages(session, options));
}

/** One message and what became of it. */
export async function oneMessage(
  service: Service,
  tenantId: number,
  messageId: string,
): Promise<Result<ListedMessage>> {
  const found = await readInTenant(service.database, tenantId, (session) => readStoredMessage(session, messageId));
  return found === undefined ? unknownMessage(messageId) : accepted(found);
}

/** The bytes of a message, exactly as they arrived. */
export async function messageBytes(service: Service, tenantId: number, messageId: string): Promise<Result<Buffer>> {
  const found = await readInTenant(service.database, tenantId, (session) => readUploadBytes(session, messageId));
  if (found === undefined || !messageId.startsWith("message-")) return unknownMessage(messageId);
  return found.isRemoved ? removedContent(messageId) : accepted(found.bytes);
}

/**
 * Tries a kept message again, after whatever stood in its way was mended; one that was taken in already gives its first answer.
 * `corrected` is sent in its place, under the same control id: it is kept as a message of its own, and the first one with it.
 */
export async function replayMessage(
  service: Service,
  tenantId: number,
  settings: MessageSettings,
  messageId: string,
  corrected?: Uint8Array,
): Promise<Result<MessageReport>> {
  const known = await oneMessage(service, tenantId, messageId);
  if (!known.ok) return known;
  const { clientId, status, corrects, sender } = known.value;
  if (corrected !== undefined && status === "accepted") return refused(takenAlready(messageId));
  const bytes = corrected === undefined ? await messageBytes(service, tenantId, messageId) : accepted(corrected);
  if (!bytes.ok) return bytes;
  const arrived = { bytes: bytes.value, clientId, contentType: messageContentType };
  // What took the place of another keeps its place when it is tried again.
  const replaced = corrected === undefined ? corrects : messageId;
  const replay = { sender, ...(replaced === undefined ? {} : { corrects: replaced }) };
  const answer = await receiveMessage(service, tenantId, settings, arrived, replay);
  if (answer.ok && answer.value.status === "accepted" && replaced !== undefined) {
    await inTenant(service.database, tenantId, (session) =>
      settleUpload(session, replaced, {
        status: "refused",
        reason: "corrected",
        report: { correctedBy: answer.value.messageId },
        refusedRecords: [],
      }),
    );
  }
  return answer;
}

/** How far a replay of everything that waits has come. */
export interface ReplayCount {
  readonly tried: number;
  readonly accepted: number;
}

const page = 200;

/** Tries every refused message of a tenant again, the oldest first, as they came. */
export async function replayRefused(
  service: Service,
  tenantId: number,
  settings: MessageSettings,
  onEach: (report: MessageReport) => void,
): Promise<ReplayCount> {
  const waiting: ListedMessage[] = [];
  for (let before: { receivedMs: number; messageId: string } | undefined; ; ) {
    const found = await messages(service, tenantId, {
      state: "refused",
      count: page,
      ...(before === undefined ? {} : { before }),
    });
    waiting.push(...found);
    const last = found.at(-1);
    if (last === undefined || found.length < page) break;
    before = { receivedMs: last.receivedMs, messageId: last.messageId };
  }
  let taken = 0;
  for (const { messageId } of waiting.reverse()) {
    const answer = await replayMessage(service, tenantId, settings, messageId);
    if (!answer.ok) continue;
    if (answer.value.status === "accepted") taken += 1;
    onEach(answer.value);
  }
  return { tried: waiting.length, accepted: taken };
}

function unknownMessage(messageId: string): Result<never> {
  return refused({ kind: "not-found", detail: `No message ${messageId} was received here.`, status: 404 });
}

function removedContent(messageId: string): Result<never> {
  const detail = `The content of ${messageId} was removed: its person was erased, or its time was over. Ask its sender for it.`;
  return refused({ kind: "deleted", detail, status: 410 });
}

function takenAlready(messageId: string) {
  const detail = `${messageId} was taken in. Send the correction as a message of its own, with a control id of its own.`;
  return { kind: "conflict", detail, status: 409 } as const;
}
