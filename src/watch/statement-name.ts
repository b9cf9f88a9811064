const names = new Map<string, string>();

/** A search may make a text of its own for each question. */
const mostKept = 500;

/** What a statement does and to which table, such as `select resource`: of its text nothing else may be told. */
export function statementName(text: string): string {
  const known = names.get(text);
  if (known !== undefined) return known;
  const name = named(text);
  if (names.size < mostKept) names.set(text, name);
  return name;
}

function named(text: string): string {
  const verb = /^\s*(select|insert|update|delete|with|begin|commit|copy|set)\b/i.exec(text)?.[1]?.toLowerCase();
  if (verb === undefined) return "statement";
  const changed = /\b(?:insert\s+into|update|delete\s+from)\s+([a-z_][a-z0-9_]*)/i.exec(text)?.[1];
  const read = /\bfrom\s+([a-z_][a-z0-9_]*)/i.exec(text)?.[1];
  const called = /^\s*select\s+([a-z_][a-z0-9_]*)\(/i.exec(text)?.[1];
  return [verb, changed ?? called ?? read].filter((part) => part !== undefined).join(" ");
}
