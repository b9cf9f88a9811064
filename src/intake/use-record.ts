import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { SessionRecord } from "../domain/session.ts";
import { inflate } from "./inflate.ts";
import type { RawUpload } from "./raw-upload.ts";
import { storable } from "./storable-text.ts";
import { readCsvUpload } from "./use-record-csv.ts";
import { readJsonUpload } from "./use-record-json.ts";
import { refusalsOf, shown } from "./use-record-refusals.ts";
import { type Envelope, envelopeSchema, sessionSchema } from "./use-record-schema.ts";

/** An upload as read: the envelope, the records that have the right shape, and those that have not. */
export interface ReadUpload {
  readonly envelope: Omit<Envelope, "format" | "version">;
  readonly sessions: readonly { readonly index: number; readonly at: string; readonly record: SessionRecord }[];
  readonly refusedSessions: readonly {
    readonly index: number;
    readonly at: string;
    readonly received: unknown;
    readonly refusals: readonly Refusal[];
  }[];
}

/** How an upload says what it is, and how large it may be. */
export interface ReadOptions {
  readonly contentType: string;
  readonly contentEncoding: string;
  readonly limits: { readonly maxBytes: number; readonly maxInflatedBytes: number };
}

/**
 * Reads an upload of use records, JSON or CSV, plain or gzip. What is wrong with the envelope refuses the whole; what is
 * wrong with one session refuses that record and keeps the rest.
 */
export function readUseRecord(bytes: Uint8Array, options: ReadOptions): Result<ReadUpload> {
  const { maxBytes, maxInflatedBytes } = options.limits;
  if (bytes.length > maxBytes) {
    const detail = `The body is larger than ${maxBytes} bytes. Send the upload in parts.`;
    return refused({ kind: "too-long", detail, status: 413 });
  }
  const text = textOf(bytes, options, maxInflatedBytes);
  if (!text.ok) return text;
  const raw = text.value.csv ? readCsvUpload(text.value.text) : readJsonUpload(text.value.text);
  return raw.ok ? checkUpload(raw.value) : raw;
}

const jsonTypes = new Set(["application/json", "text/json"]);
const gzipTypes = new Set(["application/gzip", "application/x-gzip"]);

function textOf(bytes: Uint8Array, options: ReadOptions, maxBytes: number): Result<{ text: string; csv: boolean }> {
  const type = options.contentType.split(";")[0]?.trim().toLowerCase() ?? "";
  const encoding = options.contentEncoding.trim().toLowerCase();
  const packed = gzipTypes.has(type) || encoding === "gzip" || encoding === "x-gzip";
  if (!packed && encoding !== "" && encoding !== "identity") {
    const detail = `Content-Encoding "${shown(encoding)}" is not supported. Send gzip or none.`;
    return refused({ kind: "not-supported", detail, status: 415 });
  }
  if (!jsonTypes.has(type) && !gzipTypes.has(type) && type !== "text/csv") {
    const detail = `Content-Type "${shown(type)}" is not supported. Send application/json or text/csv, gzip if you like.`;
    return refused({ kind: "not-supported", detail, status: 415 });
  }
  const plain = packed ? inflate(bytes, maxBytes) : accepted(bytes);
  if (!plain.ok) return plain;
  try {
    // A byte order mark is dropped by the decoder.
    const text = new TextDecoder("utf-8", { fatal: true }).decode(plain.value);
    return accepted({ text, csv: type === "text/csv" });
  } catch {
    return refused({ kind: "structure", detail: "The body is not UTF-8. Save or send it as UTF-8." });
  }
}

function checkUpload(raw: RawUpload): Result<ReadUpload> {
  const envelope = envelopeSchema.safeParse(raw.envelope);
  if (!envelope.success) return refused(...refusalsOf(envelope.error, ""));
  const sessions: ReadUpload["sessions"][number][] = [];
  const refusedSessions: ReadUpload["refusedSessions"][number][] = [];
  raw.sessions.forEach(({ at, received, refusals }, index) => {
    const checked = sessionSchema.safeParse(received);
    // A cell that could not be read was named when it was; the schema finds it once more.
    const named = new Set(refusals?.map((one) => one.at));
    const further = checked.success ? [] : refusalsOf(checked.error, at).filter((one) => !named.has(one.at));
    const found = [...(refusals ?? []), ...further];
    if (checked.success && found.length === 0) sessions.push({ index, at, record: checked.data as SessionRecord });
    else refusedSessions.push({ index, at, received: storable(received), refusals: found });
  });
  const { format: _, version: _version, ...rest } = envelope.data;
  return accepted({ envelope: rest, sessions, refusedSessions });
}
