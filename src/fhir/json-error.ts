const blank = /[ \t\n\r]*/y;
const scalar = /-?(?:0|[1-9]\d*)(?:\.\d+)?(?:[eE][+-]?\d+)?|true|false|null/y;
const escaped = /\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4})/y;

/** What may come next: a value, the first member or item or the end, a name, a colon, or a comma or the end. */
type Expected = "value" | "first name" | "first item" | "name" | "colon" | "more";

/**
 * Where text stops being JSON (https://www.rfc-editor.org/rfc/rfc8259): the offset of the first token that cannot stand
 * there, the length of the text if it breaks off. The parser's own message names no place for most errors.
 * Only for text that JSON.parse has refused.
 */
export function jsonErrorAt(text: string): number {
  const open: ("{" | "[")[] = [];
  let expected: Expected = "value";
  let at = 0;
  for (;;) {
    at = endOf(blank, text, at) ?? at;
    const letter = text[at];
    if (letter === undefined || (expected === "more" && open.length === 0)) return at;
    const inside = open.at(-1);
    if (letter === (inside === "{" ? "}" : "]") && mayClose(expected, inside)) {
      open.pop();
      expected = "more";
      at += 1;
    } else if (expected === "more" && letter === ",") {
      expected = inside === "{" ? "name" : "value";
      at += 1;
    } else if (expected === "colon" && letter === ":") {
      expected = "value";
      at += 1;
    } else if (takesValue(expected) && (letter === "{" || letter === "[")) {
      open.push(letter);
      expected = letter === "{" ? "first name" : "first item";
      at += 1;
    } else {
      const isName: boolean = expected === "name" || expected === "first name";
      const end = takesValue(expected) || (isName && letter === '"') ? endOfScalar(text, at) : undefined;
      if (end === undefined) return at;
      expected = isName ? "colon" : "more";
      at = end;
    }
  }
}

function takesValue(expected: Expected): boolean {
  return expected === "value" || expected === "first item";
}

function mayClose(expected: Expected, inside: "{" | "[" | undefined): boolean {
  return inside !== undefined && (expected === "more" || expected === (inside === "{" ? "first name" : "first item"));
}

function endOfScalar(text: string, at: number): number | undefined {
  return text[at] === '"' ? endOfString(text, at) : endOf(scalar, text, at);
}

/** A loop, because a pattern over a string of some megabytes overflows the stack. */
function endOfString(text: string, start: number): number | undefined {
  let at = start + 1;
  for (;;) {
    const letter = text[at];
    if (letter === undefined || letter < " ") return undefined;
    if (letter === '"') return at + 1;
    const next = letter === "\\" ? endOf(escaped, text, at) : at + 1;
    if (next === undefined) return undefined;
    at = next;
  }
}

function endOf(pattern: RegExp, text: string, at: number): number | undefined {
  pattern.lastIndex = at;
  const match = pattern.exec(text);
  return match === null ? undefined : at + match[0].length;
}
