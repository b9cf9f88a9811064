import type { z } from "zod";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { SessionRecord } from "../domain/session.ts";
import { inflate } from "./inflate.ts";
import { readCsvUpload } from "./use-record-csv.ts";
import { readJsonUpload } from "./use-record-json.ts";
import { type Envelope, envelopeSchema, mostSessions, sessionSchema } from "./use-record-schema.ts";

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

/** An upload taken apart but not yet checked: `at` says where each session stood, as the sender would look for it. */
export interface RawUpload {
  readonly envelope: unknown;
  readonly sessions: readonly {
    readonly at: string;
    readonly received: unknown;
    readonly refusals?: readonly Refusal[];
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
    return refused({
      kind: "too-long",
      detail: `The body is larger than ${maxBytes} bytes. Send the upload in parts.`,
    });
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
    return refused({
      kind: "not-supported",
      detail: `Content-Encoding "${encoding.slice(0, 40)}" is not supported. Send gzip or none.`,
      status: 415,
    });
  }
  if (!jsonTypes.has(type) && !gzipTypes.has(type) && type !== "text/csv") {
    const detail = `Content-Type "${type.slice(0, 80)}" is not supported. Send application/json or text/csv, gzip if you like.`;
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
  if (raw.sessions.length > mostSessions) {
    const detail = `An upload holds at most ${mostSessions} sessions. Send it in parts.`;
    return refused({ kind: "too-long", detail, at: "sessions" });
  }
  const sessions: ReadUpload["sessions"][number][] = [];
  const refusedSessions: ReadUpload["refusedSessions"][number][] = [];
  raw.sessions.forEach(({ at, received, refusals }, index) => {
    const checked = sessionSchema.safeParse(received);
    const found = [...(refusals ?? []), ...(checked.success ? [] : refusalsOf(checked.error, at))];
    if (checked.success && found.length === 0) sessions.push({ index, at, record: checked.data as SessionRecord });
    else refusedSessions.push({ index, at, received, refusals: found });
  });
  const { format: _, version: _version, ...rest } = envelope.data;
  return accepted({ envelope: rest, sessions, refusedSessions });
}

const mostIssues = 20;

/** Each finding of the schema as a refusal that names its place and says what to do. */
function refusalsOf(error: z.ZodError, base: string): Refusal[] {
  return error.issues.slice(0, mostIssues).flatMap((issue): Refusal[] => {
    const place = [base, ...issue.path.map((part) => (typeof part === "number" ? `[${part}]` : String(part)))]
      .filter((part) => part !== "")
      .join(".")
      .replaceAll(".[", "[");
    const at = place === "" ? {} : { at: place };
    if (issue.code === "unrecognized_keys") {
      return issue.keys.slice(0, mostIssues).map((key) => {
        const name = key.slice(0, 80);
        const detail = `The format has no field "${name}". Leave it out, or correct its spelling.`;
        return { kind: "structure", detail, at: place === "" ? name : `${place}.${name}` };
      });
    }
    const missing =
      issue.code === "invalid_type" && issue.input === undefined && /received undefined/.test(issue.message);
    const detail = missing
      ? "This field is required. Add it."
      : `${issue.message}. Correct this field, or leave it out if it is optional.`;
    return [{ kind: missing ? "required" : "value", detail, ...at }];
  });
}
