import { tryGetDataType } from "@medplum/core";
import { readJson } from "./json.ts";

/** Which part of each resource a search asks for: a summary, or some elements by name. */
export interface SubsetWanted {
  readonly summary?: "true" | "text" | "data" | "count" | "false" | undefined;
  readonly elements?: readonly string[] | undefined;
}

/** Elements that every answer keeps, so that it can be told what it is and that a part of it is missing. */
const alwaysKept = ["id", "meta"];

const subsetted = {
  system: "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
  code: "SUBSETTED",
  display: "Resource encoded in summary mode",
};

/**
 * A stored body cut down to what `_summary` or `_elements` asks for, mandatory elements kept and tagged SUBSETTED
 * (https://hl7.org/fhir/R4/search.html#summary). The body itself where nothing, or the whole, is asked for.
 */
export function subsetText(body: string, wanted: SubsetWanted): string {
  if (wanted.elements === undefined && (wanted.summary ?? "false") === "false") return body;
  const read = readJson(body);
  if (!read.ok) throw new Error("a stored body is not JSON");
  const { resourceType, ...members } = read.value.exact as { resourceType: string; meta?: { tag?: object[] } };
  const keeps = keepsOf(resourceType, wanted);
  const kept = Object.entries(members).filter(([name]) => keeps(name.replace(/^_/, "")));
  const meta = { ...members.meta, tag: [...(members.meta?.tag ?? []), subsetted] };
  return JSON.stringify({ resourceType, ...Object.fromEntries(kept), meta });
}

function keepsOf(type: string, wanted: SubsetWanted): (name: string) => boolean {
  const schema = tryGetDataType(type);
  if (wanted.summary === "data" && wanted.elements === undefined) return (name) => name !== "text";
  const names = new Set<string>([...alwaysKept, ...(schema?.mandatoryProperties ?? [])]);
  const asked = wanted.elements ?? (wanted.summary === "text" ? ["text"] : [...(schema?.summaryProperties ?? [])]);
  for (const name of asked) names.add(name);
  const written = new Set([...names].flatMap((name) => [name, ...choiceNames(schema, name)]));
  return (name) => written.has(name);
}

/** How a choice element may be written: `value` as valueQuantity, valueString … */
function choiceNames(schema: ReturnType<typeof tryGetDataType>, name: string): string[] {
  const choice = schema?.elements[`${name}[x]`];
  return (choice?.type ?? []).map(({ code }) => name + code.charAt(0).toUpperCase() + code.slice(1));
}
