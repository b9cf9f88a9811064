import { readFile } from "node:fs/promises";
import { parseArgs } from "node:util";
import { accepted, type Refusal, type Result } from "./domain/result.ts";
import { messageBytes, replayMessage } from "./flows/messages.ts";
import type { Service } from "./flows/service.ts";
import { replayUpload, uploadBytes, uploads } from "./flows/uploads.ts";
import type { MessageFile } from "./message-file.ts";
import { findTenant } from "./store/tenant.ts";

/** How the command is called. */
export const refusedInputUsage = [
  "refused --tenant demo                                        lists what waits, the oldest first",
  "refused --tenant demo --show <id>                            writes its bytes as they came",
  "refused --tenant demo --replay <id> [--with corrected.hl7]   tries it again, a message also with another text",
  "refused --tenant demo --replay <id> [--read-at <time>] [--device-clock-at-reading <time>]   an upload of a reader whose clock was wrong",
  "refused --tenant demo --replay all                           tries everything again, the oldest first",
].join("\n  ");

/** What the command needs beside the service. */
export interface RefusedInputOptions extends Pick<MessageFile, "settings"> {
  readonly maxBytes: number;
  say(text: string): void;
  /** Where bytes go. */
  write(bytes: Uint8Array): void;
}

interface Calling extends RefusedInputOptions {
  readonly service: Service;
  readonly tenantId: number;
}

/** The queue of uploads and messages that were refused, for an operator without a token. Throws with what to mend. */
export async function refusedInputCommand(
  service: Service,
  args: readonly string[],
  options: RefusedInputOptions,
): Promise<void> {
  const text = { type: "string" } as const;
  const { values } = parseArgs({
    args: [...args],
    options: { tenant: text, show: text, replay: text, with: text, "read-at": text, "device-clock-at-reading": text },
  });
  const { tenant: slug, show, replay } = values;
  if (slug === undefined || (show !== undefined && replay !== undefined))
    throw new Error(`Call it as:\n  ${refusedInputUsage}`);
  const tenant = await findTenant(service.database, slug);
  if (tenant === undefined) throw new Error(`There is no tenant "${slug}" here.`);
  const calling = { ...options, service, tenantId: tenant.tenantId };
  if (show !== undefined) return options.write(orThrow(await bytesOf(calling, show)));
  if (replay === undefined) return list(calling);
  if (replay === "all") return replayAll(calling);
  const corrected = values.with === undefined ? undefined : await readFile(values.with);
  const { "read-at": readAt, "device-clock-at-reading": deviceClockAtReading } = values;
  const mending = {
    ...(readAt === undefined ? {} : { readAt }),
    ...(deviceClockAtReading === undefined ? {} : { deviceClockAtReading }),
  };
  const tried = await again(calling, replay, { ...(corrected === undefined ? {} : { corrected }), mending });
  options.say(orThrow(tried).text);
}

function isMessage(id: string): boolean {
  return id.startsWith("message-");
}

function orThrow<T>(result: Result<T>): T {
  if (result.ok) return result.value;
  throw new Error(said(result.refusals));
}

function said(refusals: readonly Refusal[]): string {
  return refusals.map(({ at, detail }) => [at, detail].filter((one) => one !== undefined).join(" ")).join("  ");
}

async function bytesOf({ service, tenantId }: Calling, id: string): Promise<Result<Uint8Array>> {
  if (isMessage(id)) return messageBytes(service, tenantId, id);
  const found = await uploadBytes(service, tenantId, id);
  return found.ok ? accepted(found.value.bytes) : found;
}

/** What became of it, in a line: id, type, status, reasons; nobody is named. */
interface Tried {
  readonly text: string;
  readonly isTaken: boolean;
}

async function again(
  { service, tenantId, settings, maxBytes }: Calling,
  id: string,
  {
    corrected,
    mending = {},
  }: { readonly corrected?: Uint8Array; readonly mending?: Parameters<typeof replayUpload>[3] },
): Promise<Result<Tried>> {
  if (isMessage(id)) {
    const answer = await replayMessage(service, tenantId, settings, id, corrected);
    if (!answer.ok) return answer;
    const { messageId, type, status, refusals } = answer.value;
    const text = [messageId, type || "(no header)", status, said(refusals)].join("  ").trimEnd();
    return accepted({ text, isTaken: status === "accepted" });
  }
  if (corrected !== undefined) {
    throw new Error("An upload takes no other text: send the corrected one as an upload of its own.");
  }
  const answer = await replayUpload(service, tenantId, id, mending, { maxBytes });
  if (!answer.ok) return answer;
  const { status, refused } = answer.value;
  const text = [id, "use records", status, refused.length === 0 ? "" : `${refused.length} refused`]
    .join("  ")
    .trimEnd();
  return accepted({ text, isTaken: status === "accepted" });
}

const page = 200;

/** Everything of the queue, the oldest first. What a person has corrected waits no more. */
async function waiting({ service, tenantId }: Calling) {
  const found: Awaited<ReturnType<typeof uploads>> = [];
  for (const status of ["refused", "partly-refused"] as const) {
    for (let before: { receivedMs: number; uploadId: string } | undefined; ; ) {
      const next = await uploads(service, tenantId, { status, count: page, ...(before && { before }) });
      found.push(...next.filter(({ reason }) => reason !== "corrected"));
      const last = next.at(-1);
      if (last === undefined || next.length < page) break;
      before = { receivedMs: last.receivedMs, uploadId: last.uploadId };
    }
  }
  return found.sort((a, b) => a.receivedMs - b.receivedMs || (a.uploadId < b.uploadId ? -1 : 1));
}

async function list(calling: Calling): Promise<void> {
  const found = await waiting(calling);
  for (const { uploadId, receivedMs, status, reason, attempts } of found) {
    const at = new Date(receivedMs).toISOString();
    calling.say([uploadId, at, status, reason ?? "-", `${attempts} tried`].join("  "));
  }
  calling.say(`${found.length} wait.`);
}

async function replayAll(calling: Calling): Promise<void> {
  const found = await waiting(calling);
  let taken = 0;
  for (const { uploadId } of found) {
    const answer = await again(calling, uploadId, {});
    if (answer.ok && answer.value.isTaken) taken += 1;
    calling.say(answer.ok ? answer.value.text : `${uploadId}  ${said(answer.refusals)}`);
  }
  calling.say(`${found.length} tried, ${taken} taken in.`);
}
