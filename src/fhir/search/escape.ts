/**
 * Splits a query value at a separator that no backslash escapes. The parts keep their escapes, because a value may
 * be split again at another separator (https://hl7.org/fhir/R4/search.html#escaping).
 */
export function splitUnescaped(value: string, separator: "," | "|" | "$"): string[] {
  const parts: string[] = [];
  let from = 0;
  for (let i = 0; i < value.length; i += 1) {
    if (value[i] === "\\") i += 1;
    else if (value[i] === separator) {
      parts.push(value.slice(from, i));
      from = i + 1;
    }
  }
  parts.push(value.slice(from));
  return parts;
}

/** Takes the escapes away: `\,` `\|` `\$` and `\\` stand for the character behind the backslash; any other backslash stays. */
export function unescaped(value: string): string {
  return value.includes("\\") ? value.replace(/\\([\\,|$])/g, "$1") : value;
}
