import { type Stamp, stampedJson, storedExact } from "./json.ts";

/**
 * Whether a resource that is to be written says what is stored already: the same but for version, time of change and the
 * order of members. Numbers are compared as they are written, as R4 has it for decimals
 * (https://hl7.org/fhir/R4/datatypes.html#decimal).
 */
export function hasSameContent(exact: unknown, stored: { readonly body: string; readonly stamp: Stamp }): boolean {
  const text = stampedJson(exact, stored.stamp);
  if (text === stored.body) return true;
  // Another order changes no length.
  return text.length === stored.body.length && sortedJson(storedExact(text)) === sortedJson(storedExact(stored.body));
}

function sortedJson(value: unknown): string {
  if (Array.isArray(value)) return `[${value.map(sortedJson).join(",")}]`;
  const text = JSON.stringify(value);
  // A number kept as it was written is an object too, and its text is no object's.
  if (typeof value !== "object" || value === null || !text.startsWith("{")) return text;
  const members = Object.entries(value).sort(([a], [b]) => (a < b ? -1 : 1));
  return `{${members.map(([name, member]) => `${JSON.stringify(name)}:${sortedJson(member)}`).join(",")}}`;
}
