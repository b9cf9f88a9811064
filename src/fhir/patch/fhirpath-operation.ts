import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { mostOperations } from "./json-operation.ts";
import { childOf, isObject, isRawNumber } from "./tree.ts";

/** One operation of a FHIRPath Patch; `value` is the part of that name, still as the Parameters have it. */
export type FhirPathOperation =
  | { readonly type: "add"; readonly path: string; readonly name: string; readonly value: unknown }
  | { readonly type: "insert"; readonly path: string; readonly index: number; readonly value: unknown }
  | { readonly type: "delete"; readonly path: string }
  | { readonly type: "replace"; readonly path: string; readonly value: unknown }
  | { readonly type: "move"; readonly path: string; readonly source: number; readonly destination: number };

/** Parts of each operation beside type and path (the table of https://hl7.org/fhir/R4/fhirpatch.html). */
const partsOf: Readonly<Record<FhirPathOperation["type"], readonly string[]>> = {
  add: ["name", "value"],
  insert: ["index", "value"],
  delete: [],
  replace: ["value"],
  move: ["source", "destination"],
};

/** The typed value of each part but `value` (https://hl7.org/fhir/R4/fhirpatch.html). */
const members: Readonly<Record<string, string>> = {
  type: "valueCode",
  path: "valueString",
  name: "valueString",
  index: "valueInteger",
  source: "valueInteger",
  destination: "valueInteger",
};

/**
 * Reads the operations of a FHIRPath Patch: a Parameters resource with a parameter `operation` each, none for no change.
 * Every malformed one is refused with 400 and its place in `at`, before any is applied.
 */
export function readFhirPathOperations(parameters: unknown): Result<readonly FhirPathOperation[]> {
  if (!isObject(parameters) || parameters.resourceType !== "Parameters") {
    return refused(malformed("A FHIRPath Patch is a Parameters resource. Send one.", "Parameters"));
  }
  const list = childOf(parameters, "parameter") ?? [];
  if (!Array.isArray(list)) return refused(malformed("Parameters.parameter is a list.", "Parameters.parameter"));
  if (list.length > mostOperations) {
    const detail = `A patch has at most ${mostOperations} operations, this one has ${list.length}. Send several.`;
    return refused({ kind: "too-costly", detail, at: "Parameters.parameter", status: 422 });
  }
  const read = list.map((one, i) => readOperation(one, `Parameters.parameter[${i}]`));
  const refusals = read.flatMap((one) => (one.ok ? [] : one.refusals));
  if (refusals.length > 0) return refused(...refusals.slice(0, mostRefusals));
  return accepted(read.flatMap((one) => (one.ok ? [one.value] : [])));
}

const mostRefusals = 50;

function readOperation(parameter: unknown, at: string): Result<FhirPathOperation> {
  const list = childOf(parameter, "part");
  if (childOf(parameter, "name") !== "operation" || !Array.isArray(list)) {
    return refused(malformed("Each parameter is named operation and has parts.", at));
  }
  const parts = new Map<unknown, unknown>(list.map((part) => [childOf(part, "name"), part]));
  if (parts.size < list.length) return refused(malformed("A part is there twice. Give each once.", `${at}.part`));
  const type = childOf(parts.get("type"), "valueCode");
  if (typeof type !== "string" || !Object.hasOwn(partsOf, type)) {
    return refused(malformed("The type is a valueCode: add, insert, delete, replace or move.", `${at}.part`));
  }
  const wanted = ["type", "path", ...partsOf[type as FhirPathOperation["type"]]];
  const missing = wanted.find((name) => !parts.has(name));
  if (missing !== undefined) return refused(malformed(`${type} needs the part ${missing}.`, `${at}.part`));
  const strange = list.findIndex((part) => !wanted.includes(String(childOf(part, "name"))));
  if (strange >= 0) {
    const detail = `${type} takes the parts ${wanted.join(", ")}. Leave the others out.`;
    return refused(malformed(detail, `${at}.part[${strange}]`));
  }
  return readParts(type, parts, wanted, at);
}

function readParts(
  type: string,
  parts: ReadonlyMap<unknown, unknown>,
  wanted: readonly string[],
  at: string,
): Result<FhirPathOperation> {
  const operation: Record<string, unknown> = {};
  for (const name of wanted) {
    const member = members[name];
    const value = member === undefined ? parts.get(name) : plainNumber(childOf(parts.get(name), member));
    if (member !== undefined && !fits(member, value)) {
      const what = member === "valueInteger" ? "a whole number from 0" : "a text";
      return refused(malformed(`The ${name} of ${type} is ${what} in ${member}.`, `${at}.part`));
    }
    operation[name] = value;
  }
  return accepted(operation as unknown as FhirPathOperation);
}

/** 1.0 and 1e0 are whole numbers too. */
function plainNumber(value: unknown): unknown {
  return isRawNumber(value) ? Number(value.rawJSON) : value;
}

function fits(member: string, value: unknown): boolean {
  if (member !== "valueInteger") return typeof value === "string" && value !== "";
  return Number.isSafeInteger(value) && (value as number) >= 0;
}

function malformed(detail: string, at: string): Refusal {
  return { kind: "invalid", detail, at, status: 400 };
}
