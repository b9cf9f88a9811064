/** A string as it is written, a bracket or sign, or a number or word. */
const tokens = /"[^"\\]*(?:\\.[^"\\]*)*"|[{}[\],:]|[^\s{}[\],:"]+/gs;

/**
 * JSON text with line breaks and two blanks for every level, for people to read. Works on the text and reads no value,
 * so decimals and escapes stay as they are written. Text that is not JSON comes back broken into lines as well as can be.
 */
export function prettyJson(text: string): string {
  const parts: string[] = [];
  let depth = 0;
  let previous = "";
  for (const [token] of text.matchAll(tokens)) {
    const closes = token === "}" || token === "]";
    if (closes) depth = Math.max(0, depth - 1);
    const opened = previous === "{" || previous === "[";
    // What follows a comma stands on a line of its own; so does the first within brackets, and the bracket behind the
    // last. Empty brackets stay together.
    if (previous === "," || opened !== closes) parts.push(`\n${"  ".repeat(depth)}`);
    parts.push(token === ":" ? ": " : token);
    if (token === "{" || token === "[") depth += 1;
    previous = token;
  }
  return parts.join("");
}
