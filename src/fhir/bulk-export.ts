import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { patientCompartmentParameters } from "./compartment.ts";
import type { Definitions } from "./definitions.ts";
import { type OperationInput, type ParameterRules, readParameters } from "./parameters.ts";
import { localTarget } from "./references.ts";
import { rangeOfDate } from "./search/date.ts";

/**
 * The parameters of `$export` (Bulk Data Access 2.0.0, STU2: https://hl7.org/fhir/uv/bulkdata/STU2/export.html). Those that
 * the guide has and nobody here answers (includeAssociatedData) are unknown.
 */
const exportRules = {
  _outputFormat: { type: "string" },
  _since: { type: "instant" },
  _type: { type: "string", repeats: true },
  _typeFilter: { type: "string", repeats: true },
  _elements: { type: "string", repeats: true },
  patient: { type: "Reference", repeats: true },
} as const satisfies ParameterRules;

/** Whose records are asked for: all that there is, everybody's, or those of a Group's members. */
export type ExportLevel = "system" | "patient" | "group";

/** What an export was asked for; kept with its job, so every part of it is plain JSON. */
export interface ExportAsked {
  readonly level: ExportLevel;
  readonly groupId?: string;
  /** Sorted. */
  readonly types: readonly string[];
  /** Only what changed after this instant. */
  readonly sinceMs?: number;
  /** Searches of one type each; a resource answers one of those of its type, where there are any. */
  readonly filters: readonly { readonly type: string; readonly query: string }[];
  /** As `_elements` of a search. */
  readonly elements?: readonly string[];
  /** Only these people's. */
  readonly patientIds?: readonly string[];
  /** What was ignored under lenient handling; told in the file of errors. */
  readonly ignored: readonly Refusal[];
}

/** How a kick-off is read. */
export interface ExportReading {
  readonly level: ExportLevel;
  readonly groupId?: string;
  /** What cannot be done is left out and told of, or refuses the whole: that is what the guide has where nobody says. */
  readonly handling: "strict" | "lenient";
  /** Whether the client may read and search a type. */
  may(type: string): boolean;
}

const ndjson = new Set(["application/fhir+ndjson", "application/ndjson", "ndjson"]);

/** Reads a kick-off. Refused: what is wrong, and under strict handling what is unknown or not allowed. */
export function readExport(
  definitions: Definitions,
  input: OperationInput,
  reading: ExportReading,
): Result<ExportAsked> {
  const ignored: Refusal[] = [];
  const known = reading.handling === "strict" ? input : withoutUnknown(input, ignored);
  const read = readParameters(exportRules, known);
  if (!read.ok) return read;
  const { _outputFormat, _since, _type, _typeFilter, _elements, patient } = read.value;
  const refusals: Refusal[] = [];
  const wrong = (at: string, detail: string) => refusals.push({ kind: "value", detail, at, status: 400 });
  const orIgnored = (refusal: Refusal) => (reading.handling === "strict" ? refusals : ignored).push(refusal);
  // A plus sign of an address that was not escaped arrives as a space.
  if (_outputFormat !== undefined && !ndjson.has(_outputFormat.replace(" ", "+")))
    wrong("_outputFormat", "Files are made as application/fhir+ndjson alone. Leave _outputFormat out.");
  const since = _since === undefined ? undefined : rangeOfDate(_since);
  if (_since !== undefined && since === undefined) wrong("_since", `"${_since.slice(0, 64)}" is in no calendar.`);
  const elements = listed(_elements);
  if (!elements.every((one) => /^\w+(\.\w+)*$/.test(one)))
    wrong("_elements", "_elements lists elements with commas between: identifier,Patient.active.");
  const types = wantedTypes(definitions, listed(_type), reading, orIgnored);
  const filters = wantedFilters(_typeFilter, types, orIgnored);
  const patientIds = patient.flatMap((one) => patientIdOf(definitions, one.reference) ?? []);
  if (patientIds.length < patient.length) wrong("patient", "Each patient is a reference such as Patient/17.");
  if (patient.length > 0 && (reading.level === "system" || known.body === undefined))
    wrong("patient", "patient is taken in a posted Parameters resource, of Patient/$export and Group/[id]/$export.");
  if (refusals.length > 0) return refused(...refusals.slice(0, 50));
  return accepted({
    level: reading.level,
    ...(reading.groupId === undefined ? {} : { groupId: reading.groupId }),
    types,
    ...(since === undefined ? {} : { sinceMs: since.lowMs }),
    filters,
    ...(elements.length === 0 ? {} : { elements }),
    ...(patient.length === 0 ? {} : { patientIds: [...new Set(patientIds)] }),
    ignored,
  });
}

/** Whether resources of a type belong to people: those of the Patient compartment, and Task, which is read as one of them here. */
export function isOfPeople(type: string): boolean {
  return type === "Patient" || type === "Task" || patientCompartmentParameters(type).length > 0;
}

function listed(values: readonly string[]): string[] {
  const words = values.flatMap((one) => one.split(",")).map((one) => one.trim());
  return [...new Set(words.filter((one) => one !== ""))];
}

function withoutUnknown(input: OperationInput, ignored: Refusal[]): OperationInput {
  const general = new Set(["_format", "_pretty"]);
  const keeps = (name: unknown): boolean => {
    if (typeof name !== "string" || Object.hasOwn(exportRules, name) || general.has(name)) return true;
    const detail = `The parameter "${name.slice(0, 64)}" was ignored: $export does not take it here.`;
    ignored.push({ kind: "not-supported", detail });
    return false;
  };
  const query = input.query.filter(([name]) => keeps(name));
  const { body } = input;
  const list = (body?.value as { parameter?: unknown } | undefined)?.parameter;
  if (body === undefined || !Array.isArray(list)) return { ...input, query };
  const kept = list.map((one) => keeps((one as { name?: unknown } | null)?.name));
  const cut = (tree: unknown) => {
    const { parameter, ...rest } = tree as { parameter: readonly unknown[] };
    return { ...rest, parameter: parameter.filter((_, i) => kept[i]) };
  };
  return { query, body: { value: cut(body.value), exact: cut(body.exact) } };
}

function wantedTypes(
  definitions: Definitions,
  named: readonly string[],
  { level, may }: ExportReading,
  orIgnored: (refusal: Refusal) => void,
): string[] {
  const fits = (type: string) => level === "system" || isOfPeople(type);
  if (named.length === 0) return definitions.types.filter((type) => fits(type) && may(type)).sort();
  const types = named.filter((type) => {
    const shown = type.slice(0, 64);
    if (!definitions.has(type)) {
      const detail = `The resource type "${shown}" is not switched on here.`;
      orIgnored({ kind: "not-supported", detail, at: "_type", status: 400 });
    } else if (!may(type)) {
      const detail = `The token has no scope that allows this: it takes system/${shown}.rs.`;
      orIgnored({ kind: "forbidden", detail, at: "_type", status: 403 });
    } else if (!fits(type)) {
      const detail = `${shown} belongs to nobody's record. Ask for it by /fhir/$export.`;
      orIgnored({ kind: "not-supported", detail, at: "_type", status: 400 });
    } else return true;
    return false;
  });
  return types.sort();
}

/** Parameters of a search that say which page of it is wanted, or in which form: the guide keeps them out of _typeFilter. */
const notInFilters =
  /(^|&)(_sort|_count|_total|_summary|_elements|_include|_revinclude|_contained|_containedType)(:\w+)?=/;

/** Several searches stand behind each other with commas between; a comma before anything but `Type?` belongs to a value. */
function wantedFilters(
  given: readonly string[],
  types: readonly string[],
  orIgnored: (refusal: Refusal) => void,
): { type: string; query: string }[] {
  const searches = given.flatMap((one) => one.split(/,(?=[A-Z][A-Za-z]*\?)/));
  return searches.flatMap((one) => {
    const [, type = "", query = ""] = /^([A-Z][A-Za-z]*)\?(.+)$/s.exec(one.trim()) ?? [];
    const shown = one.slice(0, 80);
    if (type === "" || notInFilters.test(query)) {
      const detail = `"${shown}" is no search of a type without control parameters. Write Observation?status=final.`;
      orIgnored({ kind: "value", detail, at: "_typeFilter", status: 400 });
      return [];
    }
    if (!types.includes(type)) {
      const detail = `"${shown}" filters a type that is not exported. Add ${type} to _type, or leave the filter out.`;
      orIgnored({ kind: "value", detail, at: "_typeFilter", status: 400 });
      return [];
    }
    return [{ type, query }];
  });
}

function patientIdOf(definitions: Definitions, reference: string | undefined): string | undefined {
  const target = reference === undefined ? undefined : localTarget(definitions.local(reference));
  return target?.type === "Patient" ? target.id : undefined;
}
