import { CsvError, parse } from "csv-parse/sync";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { RawUpload } from "./use-record.ts";
import { sessionSchema } from "./use-record-schema.ts";

/** How the text of a cell becomes a value. */
type CellKind = "text" | "number" | "boolean";

const textFields = new Set(["start", "end", "profileSlot", "triggerMode", "stopReason"]);
const spreadFields = ["achievedInsufflationPressureCmH2O", "achievedExsufflationPressureCmH2O"];

/** Column names and how each is read: the fields of a session, spreads with a dot; cycles have no place in a row. */
export const csvColumns: ReadonlyMap<string, CellKind> = new Map(
  Object.keys(sessionSchema.shape).flatMap((name): [string, CellKind][] => {
    if (name === "cycles") return [];
    if (spreadFields.includes(name)) return ["median", "p5", "p95"].map((part) => [`${name}.${part}`, "number"]);
    if (name === "test") return [[name, "boolean"]];
    return [[name, textFields.has(name) ? "text" : "number"]];
  }),
);

/**
 * Takes a CSV upload apart (RFC 4180): lines that start with `#` hold the envelope, then one line of column names, then
 * one line a session. An empty cell means not recorded. Refusals name line and column.
 */
export function readCsvUpload(text: string): Result<RawUpload> {
  let rows: { record: string[]; info: { lines: number } }[];
  try {
    rows = parse(text, {
      bom: true,
      info: true,
      relax_column_count: true,
      skip_empty_lines: true,
      trim: true,
    }) as never;
  } catch (error) {
    if (!(error instanceof CsvError)) throw error;
    const line = (error as { lines?: number }).lines ?? 1;
    return refused({ kind: "structure", detail: `The body is not CSV: line ${line}. ${quoteHint(error.message)}` });
  }
  const heads = rows.filter((row) => row.record[0]?.startsWith("#"));
  const [header, ...lines] = rows.filter((row) => !row.record[0]?.startsWith("#"));
  const envelope = readEnvelope(heads);
  if (!envelope.ok) return envelope;
  if (header === undefined) {
    return refused({
      kind: "required",
      detail: "Add a line of column names such as sequenceNumber,start,end.",
      at: "header",
    });
  }
  const unknown = header.record.flatMap((name, i): Refusal[] =>
    csvColumns.has(name)
      ? []
      : [
          {
            kind: "structure",
            detail: `line ${header.info.lines}, column ${i + 1}: the format has no column "${name.slice(0, 80)}". Leave it out, or correct its spelling.`,
            at: name.slice(0, 80),
          },
        ],
  );
  if (unknown.length > 0) return refused(...unknown);
  return accepted({ envelope: envelope.value, sessions: lines.map((line) => readLine(header.record, line)) });
}

function quoteHint(message: string): string {
  return /quote/i.test(message)
    ? "A quote is opened and not closed, or stands inside an unquoted cell."
    : "Check its quotes and separators.";
}

function readEnvelope(rows: readonly { record: string[]; info: { lines: number } }[]): Result<unknown> {
  const device: Record<string, string> = {};
  const coverage: { start: string | undefined; end: string | undefined }[] = [];
  const alerts: Record<string, string | undefined>[] = [];
  const envelope: Record<string, unknown> = { format: "tidegate-use-record", version: 1, device };
  for (const { record, info } of rows) {
    const [name = "", ...cells] = record;
    const [first, second, third] = cells;
    if (name === "#device.serialNumber") device["serialNumber"] = first ?? "";
    else if (name === "#device.system") device["system"] = first ?? "";
    else if (name === "#readAt") envelope["readAt"] = first;
    else if (name === "#deviceClockAtReading") envelope["deviceClockAtReading"] = first;
    else if (name === "#coverage") coverage.push({ start: first, end: second });
    else if (name === "#alert")
      alerts.push({ code: first, at: second, ...(third === undefined || third === "" ? {} : { text: third }) });
    else {
      const detail = `line ${info.lines}: "${name.slice(0, 80)}" is no line of the envelope. Use #device.serialNumber, #device.system, #readAt, #deviceClockAtReading, #coverage or #alert.`;
      return refused({ kind: "structure", detail, at: name.slice(0, 80) });
    }
  }
  return accepted({
    ...envelope,
    ...(coverage.length > 0 ? { coverage } : {}),
    ...(alerts.length > 0 ? { alerts } : {}),
  });
}

function readLine(
  names: readonly string[],
  line: { record: string[]; info: { lines: number } },
): RawUpload["sessions"][number] {
  const at = `line ${line.info.lines}`;
  const received: Record<string, unknown> = {};
  const refusals: Refusal[] = [];
  if (line.record.length > names.length) {
    const detail = `${at} has ${line.record.length} cells, the line of names has ${names.length}. Quote cells that hold a comma; write decimals with a point.`;
    refusals.push({ kind: "structure", detail, at });
  }
  names.forEach((name, i) => {
    const cell = line.record[i] ?? "";
    if (cell === "") return;
    const value = cellValue(cell, csvColumns.get(name) ?? "text");
    if (value === undefined) {
      refusals.push({
        kind: "value",
        detail: `${at}, column ${i + 1} (${name}): ${cellHint(cell)}`,
        at: `${at}.${name}`,
      });
    } else put(received, name, value);
  });
  return { at, received, refusals };
}

function cellValue(cell: string, kind: CellKind): unknown {
  if (kind === "text") return cell;
  if (kind === "boolean") return cell === "true" ? true : cell === "false" ? false : undefined;
  return /^[+-]?\d+(\.\d+)?([eE][+-]?\d+)?$/.test(cell) && Number.isFinite(Number(cell)) ? Number(cell) : undefined;
}

function cellHint(cell: string): string {
  if (/^[+-]?\d+,\d+$/.test(cell)) return `"${cell.slice(0, 40)}" has a decimal comma. Write a point.`;
  return `"${cell.slice(0, 40)}" is no number (or true, false). Correct it, or leave the cell empty if it was not recorded.`;
}

function put(received: Record<string, unknown>, name: string, value: unknown): void {
  const [field = "", part] = name.split(".");
  if (part === undefined) received[field] = value;
  else received[field] = { ...(received[field] as object | undefined), [part]: value };
}
