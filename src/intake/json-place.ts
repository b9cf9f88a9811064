/** A number, a literal, or a sign of JSON (RFC 8259, sections 2, 3 and 6). */
const word = /-?(?:0|[1-9]\d*)(?:\.\d+)?(?:[eE][+-]?\d+)?|true|false|null|[[\]{},:]/y;
const escaped = /\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4})/y;
const spaces = " \t\n\r";

type Expected = "value" | "value-or-]" | "name" | "name-or-}" | ":" | ", or end" | "nothing";

/**
 * Where a text stops being JSON, as line and column counted from 1; undefined when it is JSON throughout. The runtime's
 * own messages leave the place out for many mistakes.
 */
export function firstJsonFault(text: string): { readonly line: number; readonly column: number } | undefined {
  const open: string[] = [];
  let expected: Expected = "value";
  let position = 0;
  for (;;) {
    while (position < text.length && spaces.includes(text.charAt(position))) position += 1;
    if (position === text.length) return expected === "nothing" ? undefined : placeOf(text, position);
    const next = wordAt(text, position);
    const after: Expected | undefined = next === undefined ? undefined : step(expected, next, open);
    if (next === undefined || after === undefined) return placeOf(text, position);
    expected = after;
    position += next.length;
  }
}

/** The word that starts at `position`; undefined when none does. */
function wordAt(text: string, position: number): string | undefined {
  if (text[position] === '"') return stringAt(text, position);
  word.lastIndex = position;
  return word.exec(text)?.[0];
}

/** By hand, not by one expression: on a string of some million characters that exhausts the stack. */
function stringAt(text: string, start: number): string | undefined {
  let position = start + 1;
  while (position < text.length) {
    const one = text.charAt(position);
    if (one === '"') return text.slice(start, position + 1);
    // Section 7 forbids control characters inside a string.
    if (one < " ") return undefined;
    escaped.lastIndex = position;
    const length = one === "\\" ? escaped.exec(text)?.[0].length : 1;
    if (length === undefined) return undefined;
    position += length;
  }
  return undefined;
}

/** What may follow `next` where `expected` was expected; undefined when `next` may not stand there. */
function step(expected: Expected, next: string, open: string[]): Expected | undefined {
  const first = next.charAt(0);
  if (expected === "nothing") return undefined;
  if (expected === ":") return next === ":" ? "value" : undefined;
  if (expected === ", or end" && next === ",") return open.at(-1) === "{" ? "name" : "value";
  if (next === "]" || next === "}") {
    const opener = next === "]" ? "[" : "{";
    const mayEnd = expected === ", or end" || expected === (next === "]" ? "value-or-]" : "name-or-}");
    if (!mayEnd || open.at(-1) !== opener) return undefined;
    open.pop();
    return afterValue(open);
  }
  if (expected === ", or end") return undefined;
  if (expected === "name" || expected === "name-or-}") return first === '"' ? ":" : undefined;
  if (next === "{" || next === "[") {
    open.push(next);
    return next === "{" ? "name-or-}" : "value-or-]";
  }
  return next === "," || next === ":" ? undefined : afterValue(open);
}

function afterValue(open: readonly string[]): Expected {
  return open.length === 0 ? "nothing" : ", or end";
}

function placeOf(text: string, position: number): { line: number; column: number } {
  let line = 1;
  let lineStart = 0;
  for (let next = text.indexOf("\n"); next >= 0 && next < position; next = text.indexOf("\n", next + 1)) {
    line += 1;
    lineStart = next + 1;
  }
  return { line, column: position - lineStart + 1 };
}
