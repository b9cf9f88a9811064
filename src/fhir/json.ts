import { accepted, type Result, refused } from "../domain/result.ts";
import { scanJson } from "./checks/scan-json.ts";
import { jsonErrorAt } from "./json-error.ts";

/** A resource as parsed, and the same with numbers as they were written. */
export interface ReadJson {
  readonly value: unknown;
  /** Like `value`, with numbers that JavaScript would write otherwise (1.50, 1e3) kept as raw JSON. */
  readonly exact: unknown;
}

const deepest = 64;

/** The reviver's third argument and `rawJSON` are in Node 26 and not yet in TypeScript's library. */
const json = JSON as typeof JSON & {
  parse(text: string, reviver: (key: string, value: unknown, context: { source?: string }) => unknown): unknown;
  rawJSON(text: string): unknown;
};

/** Parses the JSON text of one object; malformed text is refused with line and column, nesting deeper than 64 likewise. */
export function readJson(text: string): Result<ReadJson> {
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    return structureRefusal(syntaxDetail(text));
  }
  const { twice, depth, hasDelicateNumber } = scanJson(text);
  if (twice !== undefined)
    return structureRefusal(`The member "${twice.name}" stands twice in one object. Send it once.`);
  if (typeof value !== "object" || value === null || Array.isArray(value)) {
    return structureRefusal("Send one JSON object: a FHIR resource.");
  }
  // Before any reviver runs: a reviver calls itself at every level.
  if (depth > deepest) {
    return structureRefusal(`The JSON is nested deeper than ${deepest} levels. Flatten it.`);
  }
  if (mayNamePrototype(text)) value = JSON.parse(text, dropPrototype);
  return accepted({ value, exact: hasDelicateNumber ? json.parse(text, keepNumber) : value });
}

/** The exact tree of a stored body, numbers as they were written. */
export function storedExact(body: string): unknown {
  const read = readJson(body);
  if (!read.ok) throw new Error("a stored body is not JSON");
  return read.value.exact;
}

function structureRefusal(detail: string): Result<never> {
  return refused({ kind: "structure", detail, status: 400 });
}

/** An escape may hide any letter of the name. */
function mayNamePrototype(text: string): boolean {
  return text.includes("__proto__") || text.includes("\\u");
}

/** A member named __proto__ would become the object's prototype where it is copied; no FHIR element is called so. */
function dropPrototype(key: string, value: unknown): unknown {
  return key === "__proto__" ? undefined : value;
}

function keepNumber(key: string, value: unknown, context: { source?: string }): unknown {
  if (key === "__proto__") return undefined;
  if (typeof value !== "number" || context.source === undefined || String(value) === context.source) return value;
  return json.rawJSON(context.source);
}

function syntaxDetail(text: string): string {
  const position = jsonErrorAt(text);
  const before = text.slice(0, position);
  const line = before.split("\n").length;
  const column = position - before.lastIndexOf("\n");
  return `The body is not JSON: line ${line}, column ${column}.`;
}

/** What the service settles on every stored version. */
export interface Stamp {
  readonly id: string;
  readonly versionId: string;
  readonly lastUpdated: string;
}

/** JSON text of a resource with id, version and time of change set: type, id and meta first, the rest as it came. */
export function stampedJson(exact: unknown, stamp: Stamp): string {
  const { resourceType, id: _, meta, ...rest } = exact as { resourceType: string; id?: string; meta?: object };
  const { versionId: _version, lastUpdated: _updated, ...otherMeta } = (meta ?? {}) as Record<string, unknown>;
  return JSON.stringify({
    resourceType,
    id: stamp.id,
    meta: { versionId: stamp.versionId, lastUpdated: stamp.lastUpdated, ...otherMeta },
    ...rest,
  });
}
