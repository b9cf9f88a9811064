import { accepted, type Result, refused } from "../domain/result.ts";
import { shown } from "./use-record-refusals.ts";

/** One line of a CSV upload: its number, counted from 1, and its cells. */
export interface CsvLine {
  readonly line: number;
  readonly cells: readonly string[];
}

/** What the cells of each envelope line are called. */
const cellsOfLine: Readonly<Record<string, readonly string[]>> = {
  "#device.serialNumber": ["serialNumber"],
  "#device.system": ["system"],
  "#readAt": ["readAt"],
  "#deviceClockAtReading": ["deviceClockAtReading"],
  "#coverage": ["start", "end"],
  "#alert": ["code", "at", "text"],
};

/** Whether a line belongs to the envelope: above the line of names each that starts with `#`, below it only known ones. */
export function isEnvelopeLine({ cells: [name = ""] }: CsvLine, aboveNames: boolean): boolean {
  return aboveNames ? name.startsWith("#") : Object.hasOwn(cellsOfLine, name);
}

const repeatable = new Set(["#coverage", "#alert"]);

/**
 * The envelope that the `#` lines of a CSV upload spell, in the shape of the JSON format and not yet checked. Refused:
 * lines of an unknown name, lines with more cells than they may have, and a second line of what can be only once.
 */
export function readCsvEnvelope(lines: readonly CsvLine[]): Result<unknown> {
  const seen = new Map<string, Record<string, string>[]>();
  for (const { line, cells } of lines) {
    const [name = "", ...rest] = cells;
    const names = Object.hasOwn(cellsOfLine, name) ? cellsOfLine[name] : undefined;
    const at = shown(name);
    if (names === undefined) {
      const separator = name.includes(";") ? " Separate the cells with commas." : "";
      const detail = `line ${line}: "${at}" is no line of the envelope.${separator} Use ${Object.keys(cellsOfLine).join(", ")}.`;
      return refused({ kind: "structure", detail, at });
    }
    if (rest.slice(names.length).some((cell) => cell !== "")) {
      const detail = `line ${line}: ${name} takes ${names.join(", ")} and nothing more. Put cells that hold a comma in quotes.`;
      return refused({ kind: "structure", detail, at });
    }
    const before = seen.get(name) ?? [];
    if (before.length > 0 && !repeatable.has(name)) {
      return refused({ kind: "structure", detail: `line ${line}: ${name} stands there already. Leave one out.`, at });
    }
    before.push(Object.fromEntries(names.flatMap((part, i) => (rest[i] ? [[part, rest[i]]] : []))));
    seen.set(name, before);
  }
  const once = (name: string): Record<string, string> => seen.get(name)?.[0] ?? {};
  const coverage = seen.get("#coverage");
  const alerts = seen.get("#alert");
  return accepted({
    format: "tidegate-use-record",
    version: 1,
    device: { ...once("#device.serialNumber"), ...once("#device.system") },
    ...once("#readAt"),
    ...once("#deviceClockAtReading"),
    ...(coverage === undefined ? {} : { coverage }),
    ...(alerts === undefined ? {} : { alerts }),
  });
}
