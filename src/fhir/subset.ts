import { tryGetDataType } from "@medplum/core";
import { type MarkedElement, marksOf } from "./element-marks.ts";
import { storedExact } from "./json.ts";

/** Which part of each resource is asked for: a summary, or some elements by name. */
export interface SubsetWanted {
  readonly summary?: "true" | "text" | "data" | "count" | "false" | undefined;
  /** Elements of any type (`name`) or of one (`Patient.name`); what stands behind an element is not told apart. */
  readonly elements?: readonly string[] | undefined;
}

/** Elements that every answer keeps, so that it can be told what it is and that a part of it is missing. */
const alwaysKept = new Set(["resourceType", "id", "meta"]);

const subsetted = {
  system: "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
  code: "SUBSETTED",
  display: "Resource encoded in summary mode",
};

type Members = Record<string, unknown>;

/**
 * A stored body cut down to what `_summary` or `_elements` asks for and tagged SUBSETTED
 * (https://hl7.org/fhir/R4/search.html#summary): mandatory elements stay, and with all but `_summary=text` those that
 * change the meaning of others. The body itself where nothing, the whole, or only elements of other types are asked for.
 */
export function subsetText(body: string, wanted: SubsetWanted): string {
  const whole = (wanted.summary ?? "false") === "false";
  if (wanted.elements === undefined && whole) return body;
  const resource = storedExact(body) as Members & { resourceType: string; meta?: { tag?: object[] } };
  const cut = cutDown(resource.resourceType, resource, wanted);
  if (cut === undefined) return body;
  const { resourceType, id, meta, ...rest } = cut as typeof resource & { id?: string };
  const tag = [...(meta?.tag ?? []), subsetted];
  return JSON.stringify({ resourceType, ...(id === undefined ? {} : { id }), meta: { ...meta, tag }, ...rest });
}

function cutDown(type: string, resource: Members, { summary, elements }: SubsetWanted): Members | undefined {
  if (elements !== undefined) {
    const names = namesFor(type, elements);
    if (names.size === 0) return undefined;
    const asked = new Set([...names].flatMap((name) => [name, ...choiceNames(type, name)]));
    return members(resource, (key) => asked.has(key) || isNeeded(marksOf(type)?.get(key)));
  }
  if (summary === "data") return members(resource, (key) => key !== "text");
  if (summary === "text") {
    return members(resource, (key) => key === "text" || marksOf(type)?.get(key)?.isMandatory === true);
  }
  return summaryOf(type, resource);
}

/** Elements without which the rest would be wrong, or would read as something else. */
function isNeeded(mark: MarkedElement | undefined): boolean {
  return mark !== undefined && (mark.isMandatory || mark.isModifier);
}

function namesFor(type: string, elements: readonly string[]): Set<string> {
  const names = elements.flatMap((element) => {
    const [first = "", second] = element.split(".");
    const ofOneType = /^[A-Z]/.test(first);
    if (!ofOneType) return [first];
    return first === type && second !== undefined ? [second] : [];
  });
  return new Set(names);
}

/** Members that are kept; what an extension says of a primitive (`_birthDate`) goes with it. */
function members(resource: Members, keeps: (key: string) => boolean): Members {
  const kept = ([key]: [string, unknown]) => alwaysKept.has(key) || keeps(key.replace(/^_/, ""));
  return Object.fromEntries(Object.entries(resource).filter(kept));
}

/** The summary elements of a resource, and of each of these their own. */
function summaryOf(path: string, value: Members): Members {
  const marked = marksOf(path);
  const kept = Object.entries(value).flatMap(([key, member]): [string, unknown][] => {
    if (key === "resourceType" || key === "meta") return [[key, member]];
    const mark = marked?.get(key.replace(/^_/, ""));
    if (mark === undefined) return [];
    const inner = key.startsWith("_") ? member : summaryWithin(mark.inside, member);
    return inner === undefined ? [] : [[key, inner]];
  });
  return Object.fromEntries(kept);
}

/** Of an element what is marked in it; undefined where nothing is. Extensions and primitives stay whole. */
function summaryWithin(inside: string, value: unknown): unknown {
  if (Array.isArray(value)) {
    const list = value.map((one) => summaryWithin(inside, one)).filter((one) => one !== undefined);
    return list.length === 0 ? undefined : list;
  }
  const isObject = typeof value === "object" && value !== null;
  if (!isObject || inside === "Extension") return value;
  const { resourceType } = value as { resourceType?: string };
  const path = resourceType ?? inside;
  if (marksOf(path) === undefined) return value;
  const summary = summaryOf(path, value as Members);
  return Object.keys(summary).length === 0 ? undefined : summary;
}

/** How a choice element may be written: `value` as valueQuantity, valueString … */
function choiceNames(type: string, name: string): string[] {
  const choice = tryGetDataType(type)?.elements[`${name}[x]`];
  return (choice?.type ?? []).map(({ code }) => name + code.charAt(0).toUpperCase() + code.slice(1));
}
