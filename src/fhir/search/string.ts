import type { StringEntry } from "./index-values.ts";

/** Lower case without accents and other marks, white space folded: how strings are compared (https://hl7.org/fhir/R4/search.html#string). */
export function foldString(text: string): string {
  // ASCII has neither marks nor other forms.
  if (!/[^\x20-\x7e]/.test(text)) return text.toLowerCase().replace(/ {2,}/g, " ").trim();
  return text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase().replace(/\s+/g, " ").trim();
}

/** The longest string that is indexed whole; of a longer one only its start is found. */
const mostLetters = 500;

/** Parts of HumanName and Address that a server should look at (https://hl7.org/fhir/R4/search.html#string). */
const searchedParts = [
  "text",
  "family",
  "given",
  "prefix",
  "suffix",
  "line",
  "city",
  "district",
  "state",
  "postalCode",
  "country",
];

/** What to index of a string, HumanName, Address or CodeableConcept's text: each part on its own; nothing of anything else. */
export function stringsOf(value: unknown, key: string): StringEntry[] {
  return [...new Set(partsOf(value))].map((part) => {
    const exact = part.slice(0, mostLetters);
    return { key, folded: foldString(exact), exact };
  });
}

function partsOf(value: unknown): string[] {
  if (typeof value === "string") return value === "" ? [] : [value];
  if (typeof value !== "object" || value === null) return [];
  const found: string[] = [];
  for (const name of searchedParts) {
    const part = (value as Record<string, unknown>)[name];
    if (typeof part === "string") found.push(part);
    else if (Array.isArray(part)) found.push(...part.filter((one): one is string => typeof one === "string"));
  }
  return found;
}
