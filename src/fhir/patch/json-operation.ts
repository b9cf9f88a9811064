import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { isObject, type Tokens } from "./tree.ts";

/** One operation of a JSON Patch with its pointers read. */
export type JsonOperation =
  | { readonly op: "add" | "replace" | "test"; readonly path: Tokens; readonly value: unknown }
  | { readonly op: "remove"; readonly path: Tokens }
  | { readonly op: "move" | "copy"; readonly path: Tokens; readonly from: Tokens };

/** Operations that one patch may have. Our own bound: each costs a copy of what it changes. */
export const mostOperations = 1000;

/**
 * Reads the operations of a JSON Patch (RFC 6902, 3 and 4): an array, empty for no change. Every malformed one is
 * refused with 400 and its index in `at`, before any is applied. Members that the RFC does not name are ignored.
 */
export function readJsonOperations(operations: unknown): Result<readonly JsonOperation[]> {
  if (!Array.isArray(operations)) {
    return refused(malformed("A JSON Patch is an array of operations (RFC 6902). Send one.", "operations"));
  }
  if (operations.length > mostOperations) {
    const detail = `A patch has at most ${mostOperations} operations, this one has ${operations.length}. Send several.`;
    return refused({ kind: "too-costly", detail, at: "operations", status: 422 });
  }
  const read = operations.map(readOperation);
  const refusals = read.flatMap((one) => (one.ok ? [] : one.refusals));
  if (refusals.length > 0) return refused(...refusals.slice(0, mostRefusals));
  return accepted(read.flatMap((one) => (one.ok ? [one.value] : [])));
}

const mostRefusals = 50;

function readOperation(operation: unknown, i: number): Result<JsonOperation> {
  const at = `operations[${i}]`;
  if (!isObject(operation)) return refused(malformed("An operation is a JSON object with op and path.", at));
  const { op } = operation;
  const path = readPointer(operation, "path", at);
  if (!path.ok) return path;
  switch (op) {
    case "remove":
      return accepted({ op, path: path.value });
    case "add":
    case "replace":
    case "test":
      if (!Object.hasOwn(operation, "value")) return refused(malformed(`Give the value to ${op}.`, `${at}.value`));
      return accepted({ op, path: path.value, value: operation.value });
    case "move":
    case "copy": {
      const from = readPointer(operation, "from", at);
      if (!from.ok) return from;
      if (op === "move" && isProperPrefix(from.value, path.value)) {
        return refused(malformed("What is moved cannot move into itself. Choose a path outside from.", `${at}.path`));
      }
      return accepted({ op, path: path.value, from: from.value });
    }
    default:
      return refused(malformed("The op is add, remove, replace, move, copy or test.", `${at}.op`));
  }
}

/** Names through which an object's prototype is reached; no FHIR element is called so. */
const prototypeNames = new Set(["__proto__", "constructor", "prototype"]);

/** Reads a JSON Pointer (RFC 6901): empty for the whole, else tokens each behind a slash, with ~0 and ~1 for ~ and /. */
function readPointer(operation: Readonly<Record<string, unknown>>, name: "path" | "from", at: string): Result<Tokens> {
  const pointer = Object.hasOwn(operation, name) ? operation[name] : undefined;
  if (typeof pointer !== "string" || !/^(?:\/(?:[^~]|~[01])*)?$/s.test(pointer)) {
    const detail = `The ${name} is a JSON Pointer (RFC 6901), such as "/name/0/family". Give one.`;
    return refused(malformed(detail, `${at}.${name}`));
  }
  const tokens = pointer
    .split("/")
    .slice(1)
    .map((token) => token.replaceAll("~1", "/").replaceAll("~0", "~"));
  if (tokens.some((token) => prototypeNames.has(token))) {
    return refused(malformed(`The ${name} names no element of FHIR. Name one.`, `${at}.${name}`));
  }
  return accepted(tokens);
}

function isProperPrefix(from: Tokens, path: Tokens): boolean {
  return from.length < path.length && from.every((token, i) => token === path[i]);
}

function malformed(detail: string, at: string): Refusal {
  return { kind: "invalid", detail, at, status: 400 };
}
