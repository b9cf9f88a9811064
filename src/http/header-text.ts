/** Parts of a header's text between separators that stand outside of quotation marks, trimmed; empty parts left out. */
export function splitUnquoted(text: string, separator: "," | ";"): string[] {
  const parts: string[] = [];
  let part = "";
  let quoted = false;
  for (let at = 0; at < text.length; at += 1) {
    const sign = text.charAt(at);
    if (sign === '"') quoted = !quoted;
    if (sign === "\\" && quoted) {
      part += sign + text.charAt(at + 1);
      at += 1;
    } else if (sign === separator && !quoted) {
      parts.push(part.trim());
      part = "";
    } else {
      part += sign;
    }
  }
  return [...parts, part.trim()].filter((one) => one !== "");
}

/** A `name=value` pair: the name in lower case, the value without its quotation marks, empty where there is none (RFC 9110, 5.6.6). */
export function pairOf(part: string): readonly [name: string, value: string] {
  const equals = part.indexOf("=");
  if (equals < 0) return [part.toLowerCase(), ""];
  const value = part.slice(equals + 1).trim();
  const quoted = /^"((?:[^"\\]|\\.)*)"$/.exec(value)?.[1];
  return [part.slice(0, equals).trim().toLowerCase(), quoted?.replace(/\\(.)/g, "$1") ?? value];
}
