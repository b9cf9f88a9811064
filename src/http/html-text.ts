const entities: Readonly<Record<string, string>> = {
  "&": "&amp;",
  "<": "&lt;",
  ">": "&gt;",
  '"': "&quot;",
  "'": "&#39;",
};

/** Text as it may stand in HTML, between tags and in quoted attributes (OWASP, Cross Site Scripting Prevention, rules 1 and 2). */
export function escaped(text: string): string {
  return text.replace(/[&<>"']/g, (character) => entities[character] ?? character);
}
