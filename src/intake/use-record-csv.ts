import { CsvError, parse } from "csv-parse/sync";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { RawUpload } from "./raw-upload.ts";
import { type CsvLine, isEnvelopeLine, readCsvEnvelope } from "./use-record-csv-envelope.ts";
import { fewOf, shown, tooManySessions } from "./use-record-refusals.ts";
import { mostAlerts, mostCoverage, mostSessions, sessionSchema } from "./use-record-schema.ts";

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
  const lines = linesOf(text);
  if (!lines.ok) return lines;
  const firstName = lines.value.findIndex((line) => !isEnvelopeLine(line, true));
  // A text of a session may start with # too; below the line of names only the known lines are taken for the envelope.
  const isEnvelope = (line: CsvLine, i: number): boolean => isEnvelopeLine(line, firstName < 0 || i < firstName);
  const envelope = readCsvEnvelope(lines.value.filter(isEnvelope));
  if (!envelope.ok) return envelope;
  const [header, ...rows] = lines.value.filter((line, i) => !isEnvelope(line, i));
  if (header === undefined) {
    const detail = "Add a line of column names such as sequenceNumber,start,end.";
    return refused({ kind: "required", detail, at: "header" });
  }
  const wrongNames = checkNames(header);
  if (wrongNames.length > 0) return refused(...fewOf(wrongNames, "header"));
  if (rows.length > mostSessions) return refused(tooManySessions(mostSessions));
  return accepted({ envelope: envelope.value, sessions: rows.map((row) => readRow(header.cells, row)) });
}

/** Sessions, the line of names, and what `#` lines the schema allows. */
const mostLines = mostSessions + 1 + 4 + mostCoverage + mostAlerts;
/** A line with every cell full, each text at its longest and in quotes, stays far below. */
const longestLine = 65_536;

function linesOf(text: string): Result<CsvLine[]> {
  // The parser's own limit counts the characters in cells, so it lets through millions of empty cells.
  const tooLong = firstLongLine(text);
  if (tooLong !== undefined) return refused(tooLongLine(tooLong));
  try {
    const rows = parse(text, {
      bom: true,
      info: true,
      // Both bound the memory: a few kilobytes of gzip can unpack to many millions of cells or lines.
      max_record_size: longestLine,
      to: mostLines + 1,
      // All three by name: left to guess from the first line, the parser counts lines wrongly where endings are mixed.
      record_delimiter: ["\r\n", "\n", "\r"],
      relax_column_count: true,
      skip_empty_lines: true,
      skip_records_with_empty_values: true,
      trim: true,
    }) as unknown as { record: string[]; info: { lines: number } }[];
    if (rows.length > mostLines) return refused(tooManySessions(mostSessions));
    return accepted(rows.map(({ record, info }) => ({ line: info.lines, cells: record })));
  } catch (error) {
    if (!(error instanceof CsvError)) throw error;
    const { lines: line = 1, column } = error as { lines?: number; column?: number };
    const where = typeof column === "number" ? `line ${line}, column ${column + 1}` : `line ${line}`;
    if (error.code === "CSV_MAX_RECORD_SIZE") return refused(tooLongLine(line));
    const detail = /QUOTE/.test(error.code)
      ? `${where}: a quote is opened and not closed, or stands inside an unquoted cell. Put the whole cell in quotes and double each quote within it.`
      : `${where}: this is not CSV. Check its quotes and separators.`;
    return refused({ kind: "structure", detail, at: `line ${line}` });
  }
}

function firstLongLine(text: string): number | undefined {
  let line = 1;
  let start = 0;
  for (let i = 0; i < text.length; i += 1) {
    const one = text[i];
    if (one === "\n" || one === "\r") {
      start = i + 1;
      if (one === "\n" || text[i + 1] !== "\n") line += 1;
    } else if (i - start >= longestLine) return line;
  }
  return undefined;
}

function tooLongLine(line: number): Refusal {
  const detail = `line ${line} is longer than ${longestLine} characters. End each line with a line break, and close each quote.`;
  return { kind: "too-long", detail, at: `line ${line}` };
}

function checkNames({ line, cells }: CsvLine): Refusal[] {
  return cells.flatMap((name, i): Refusal[] => {
    const where = `line ${line}, column ${i + 1}`;
    const at = shown(name);
    if (!csvColumns.has(name)) {
      const hint = /[;\t]/.test(name) ? "Separate the cells with commas." : "Leave it out, or correct its spelling.";
      return [{ kind: "structure", detail: `${where}: the format has no column "${at}". ${hint}`, at }];
    }
    if (cells.indexOf(name) === i) return [];
    const detail = `${where}: the column "${at}" stands there already. Leave one of the two out.`;
    return [{ kind: "structure", detail, at }];
  });
}

function readRow(names: readonly string[], { line, cells }: CsvLine): RawUpload["sessions"][number] {
  const at = `line ${line}`;
  const received: Record<string, unknown> = {};
  const refusals: Refusal[] = [];
  // Spreadsheets pad lines with empty cells; those say nothing.
  if (cells.slice(names.length).some((cell) => cell !== "")) {
    const detail = `${at} has ${cells.length} cells, the line of names has ${names.length}. Put cells that hold a comma in quotes, and write decimals with a point (1.6, not 1,6).`;
    refusals.push({ kind: "structure", detail, at });
  }
  for (const [i, name] of names.entries()) {
    const cell = cells[i] ?? "";
    if (cell === "") continue;
    const kind = csvColumns.get(name) ?? "text";
    const value = cellValue(cell, kind);
    if (value === undefined) {
      const detail = `${at}, column ${i + 1} (${name}): ${cellHint(cell, kind)}`;
      refusals.push({ kind: "value", detail, at: `${at}.${name}` });
    }
    // What cannot be read is kept as it was written, so that a person can see it among the refused records.
    put(received, name, value ?? cell);
  }
  return { at, received, refusals };
}

function cellValue(cell: string, kind: CellKind): unknown {
  if (kind === "text") return cell;
  if (kind === "boolean") return cell === "true" ? true : cell === "false" ? false : undefined;
  return /^[+-]?\d+(\.\d+)?([eE][+-]?\d+)?$/.test(cell) && Number.isFinite(Number(cell)) ? Number(cell) : undefined;
}

function cellHint(cell: string, kind: CellKind): string {
  if (kind === "boolean")
    return `"${shown(cell)}" is neither true nor false. Write one of them, or leave the cell empty.`;
  if (/^[+-]?\d+,\d+$/.test(cell)) {
    return `"${shown(cell)}" has a decimal comma. Write a point: ${shown(cell.replace(",", "."))}.`;
  }
  return `"${shown(cell)}" is no number. Correct it, or leave the cell empty if it was not recorded.`;
}

function put(received: Record<string, unknown>, name: string, value: unknown): void {
  const [field = "", part] = name.split(".");
  if (part === undefined) received[field] = value;
  else received[field] = { ...(received[field] as object | undefined), [part]: value };
}
