import { accepted, type Result, refused } from "../../domain/result.ts";

/** Character sets that are read, by the names of HL7 table 0211 (MSH-18). */
export type CharacterSet = "ASCII" | `8859/${2 | 3 | 4 | 5 | 6 | 7 | 8 | 9 | 15}` | "8859/1" | "UNICODE UTF-8";

/** The sets that MSH-18 may name, for texts that must say which. */
export const characterSets: readonly CharacterSet[] = [
  "ASCII",
  "8859/1",
  "8859/2",
  "8859/3",
  "8859/4",
  "8859/5",
  "8859/6",
  "8859/7",
  "8859/8",
  "8859/9",
  "8859/15",
  "UNICODE UTF-8",
];

const names: ReadonlyMap<string, CharacterSet> = new Map([
  ...characterSets.map((name) => [name, name] as const),
  // Not in the table, and sent by many.
  ["UTF-8", "UNICODE UTF-8"],
]);

/**
 * The character set that MSH-18 names; the first where it repeats, as that one is the default of the message. An empty field
 * means ASCII (HL7 v2.5.1, 2.15.9.18), unless `unnamed` says what the sender means by it.
 */
export function characterSetOf(msh18: string, unnamed: CharacterSet = "ASCII"): Result<CharacterSet> {
  const name = msh18.trim().toUpperCase();
  if (name === "") return accepted(unnamed);
  const known = names.get(name);
  if (known !== undefined) return accepted(known);
  const detail = `The character set of MSH-18 is not read here. Send one of ${characterSets.join(", ")}.`;
  return refused({ kind: "not-supported", detail, at: "MSH-18" });
}

/** Bytes as text; refused where they are none of this set, for a guess could change a name without anybody noticing. */
export function decoded(bytes: Uint8Array, set: CharacterSet): Result<string> {
  if (set === "8859/1") return accepted(Buffer.from(bytes).toString("latin1"));
  if (set === "ASCII") {
    if (bytes.every((byte) => byte < 0x80)) return accepted(Buffer.from(bytes).toString("latin1"));
    const detail = `The message is not ASCII, which an empty MSH-18 means. Name its character set in MSH-18: ${characterSets.join(", ")}.`;
    return refused({ kind: "invalid", detail, at: "MSH-18" });
  }
  const label = set === "UNICODE UTF-8" ? "utf-8" : `iso-${set.replace("/", "-")}`;
  try {
    return accepted(new TextDecoder(label, { fatal: true }).decode(bytes));
  } catch {
    const name = set === "UNICODE UTF-8" ? "UTF-8" : set;
    const detail = `MSH-18 says ${name} and the bytes are none. Send the message in the character set that MSH-18 names.`;
    return refused({ kind: "invalid", detail, at: "MSH-18" });
  }
}

/** Text as the bytes of a set; what it lacks becomes a question mark. */
export function encoded(text: string, set: CharacterSet): Buffer {
  if (set === "UNICODE UTF-8") return Buffer.from(text, "utf8");
  const highest = set === "8859/1" ? 0xff : 0x7f;
  const plain = [...text].map((letter) => ((letter.codePointAt(0) ?? 0) > highest ? "?" : letter)).join("");
  return Buffer.from(plain, "latin1");
}
