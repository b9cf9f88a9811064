import { type CharacterSet, decoded } from "./charset.ts";

/** The characters that a message is divided by, as its MSH-1 and MSH-2 name them. */
export interface Delimiters {
  readonly field: string;
  readonly component: string;
  readonly repetition: string;
  readonly escape: string;
  readonly subcomponent: string;
}

/**
 * Text without its escapes (HL7 v2.5.1, 2.7): delimiters, bytes in hexadecimal, and line breaks. Highlighting goes, for a
 * FHIR string has none. An escape that is not known stays as it was received; so does one that never ends.
 */
export function unescaped(text: string, delimiters: Delimiters, set: CharacterSet): string {
  const { escape: mark } = delimiters;
  if (!text.includes(mark)) return text;
  let plain = "";
  let at = 0;
  while (at < text.length) {
    const start = text.indexOf(mark, at);
    const end = start < 0 ? -1 : text.indexOf(mark, start + 1);
    if (end < 0) break;
    plain += text.slice(at, start);
    const read = meaningOf(text.slice(start + 1, end), delimiters, set);
    plain += read ?? text.slice(start, end + 1);
    at = end + 1;
  }
  // No database text holds U+0000, and no FHIR string may.
  return (plain + text.slice(at)).replaceAll("\0", "\ufffd");
}

function meaningOf(sequence: string, delimiters: Delimiters, set: CharacterSet): string | undefined {
  switch (sequence) {
    case "F":
      return delimiters.field;
    case "S":
      return delimiters.component;
    case "T":
      return delimiters.subcomponent;
    case "R":
      return delimiters.repetition;
    case "E":
      return delimiters.escape;
    case "H":
    case "N":
      return "";
    case ".br":
    case ".sp":
      return "\n";
  }
  if (!/^X([0-9A-Fa-f]{2})+$/.test(sequence)) return undefined;
  const read = decoded(Buffer.from(sequence.slice(1), "hex"), set);
  return read.ok ? read.value : undefined;
}

/** The same the other way, for what is sent: delimiters become escapes, line breaks `\.br\`. */
export function escaped(text: string, delimiters: Delimiters): string {
  const names: Readonly<Record<string, string>> = {
    [delimiters.field]: "F",
    [delimiters.component]: "S",
    [delimiters.subcomponent]: "T",
    [delimiters.repetition]: "R",
    [delimiters.escape]: "E",
    "\r": ".br",
    "\n": ".br",
  };
  return [...text]
    .map((letter) =>
      Object.hasOwn(names, letter) ? `${delimiters.escape}${names[letter]}${delimiters.escape}` : letter,
    )
    .join("");
}
