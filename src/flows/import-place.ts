import { crc32 } from "node:zlib";
import { type BulkRole, saveChunk, saveFile } from "../store/bulk-file.ts";
import { type BulkJob, savePlace } from "../store/bulk-job.ts";
import type { TenantSession } from "../store/database.ts";
import { orSuperseded } from "./bulk-pulse.ts";
import { type ImportLine, type RefusedLine, refusedLineText } from "./import-line.ts";
import { packed, type Written } from "./ndjson-writer.ts";

/** Where an import goes on after a restart: stored in the transaction that settles the lines before it. */
export interface ImportPlace {
  /** 1 over the lines as they came, then over those that were put off. */
  readonly pass: number;
  /** Number of the last line of this pass that was settled; 0 before the first. */
  readonly line: number;
  /** Whether a line that points to what is not here may be put off once more. */
  readonly mayWait: boolean;
  readonly stored: number;
  readonly unchanged: number;
  readonly refused: number;
  /** Lines of this pass that were stored or found unchanged. */
  readonly takenInPass: number;
  /** What was written into each file so far. */
  readonly files: Readonly<Record<string, Written>>;
}

export const firstPlace: ImportPlace = {
  pass: 1,
  line: 0,
  mayWait: true,
  stored: 0,
  unchanged: 0,
  refused: 0,
  takenInPass: 0,
  files: {},
};

/** What became of some lines. */
export interface LinesOutcome {
  readonly stored: number;
  /** Those that say what is stored already. */
  readonly unchanged: number;
  readonly refused: readonly RefusedLine[];
  /** Those that point to what is not here yet: a later line may bring it. */
  readonly later: ReadonlySet<ImportLine>;
}

/** Name of the file of lines that a pass put off. Each begins with its number and a tab. */
export const laterFile = (pass: number) => `later-${pass}`;

/** Files for whoever sent the import: outcomes, and the refused lines as they came. */
export const [outcomesFile, refusedFile] = ["outcomes", "refused"] as const;

/** Notes, in the transaction that settles them, what became of the lines up to the one of this number. */
export async function placeAfter(
  session: TenantSession,
  job: BulkJob,
  place: ImportPlace,
  line: number,
  { stored, unchanged, refused, later }: LinesOutcome,
): Promise<ImportPlace> {
  const lineBreak = Buffer.from("\n");
  const sent = refused.flatMap(({ text }) => [text, lineBreak]);
  const putOff = [...later].flatMap(({ number, text }) => [Buffer.from(`${number}\t`), text, lineBreak]);
  const outcomes = refused.map((one) => Buffer.from(refusedLineText(one)));
  let { files } = place;
  files = await append(session, job, files, { name: outcomesFile, role: "error", type: "OperationOutcome" }, outcomes);
  files = await append(session, job, files, { name: refusedFile, role: "refused", type: "Resource" }, sent);
  files = await append(session, job, files, { name: laterFile(place.pass), role: "later", type: "Resource" }, putOff);
  const next = {
    ...place,
    line,
    stored: place.stored + stored,
    unchanged: place.unchanged + unchanged,
    refused: place.refused + refused.length,
    takenInPass: place.takenInPass + stored + unchanged,
    files,
  };
  orSuperseded(await savePlace(session, job, JSON.stringify(next)));
  return next;
}

/** The bytes end with a line break where there are any. */
async function append(
  session: TenantSession,
  job: BulkJob,
  files: ImportPlace["files"],
  about: { readonly name: string; readonly role: BulkRole; readonly type: string },
  bytes: readonly Buffer[],
): Promise<ImportPlace["files"]> {
  if (bytes.length === 0) return files;
  const before = files[about.name] ?? { lines: 0, bytes: 0, crc32: 0 };
  const text = Buffer.concat(bytes);
  const after = {
    lines: before.lines + text.filter((byte) => byte === 10).length,
    bytes: before.bytes + text.length,
    crc32: crc32(text, before.crc32),
  };
  const chunk = { firstByte: before.bytes, bytes: text.length, packed: await packed(text) };
  orSuperseded(await saveChunk(session, job, 0, about.name, chunk));
  await saveFile(session, { jobId: job.jobId, attempt: 0 }, { ...about, ...after });
  return { ...files, [about.name]: after };
}
