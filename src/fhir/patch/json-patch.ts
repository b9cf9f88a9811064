import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { identityRefusal } from "./identity.ts";
import { jsonEqual } from "./json-equal.ts";
import { type JsonOperation, readJsonOperations } from "./json-operation.ts";
import {
  arrayIndex,
  childOf,
  deepestLevel,
  isObject,
  measure,
  mostMembers,
  type Tokens,
  valueAt,
  withChanged,
  withMember,
  withoutMember,
} from "./tree.ts";

/** Letters that all `copy` operations of one patch may add: a resource copied into itself doubles each time. */
const mostCopiedLetters = 4_000_000;

/**
 * A resource after a JSON Patch (RFC 6902), `exact` and the patch's own values being trees with numbers as written; both
 * stay as they are. A malformed patch is refused with 400, a path that is not there and a failed `test` with 422
 * (https://hl7.org/fhir/R4/http.html#patch), a change of resourceType or id with 400. All operations or none.
 *
 * Our own and not from a package: numbers as written are raw JSON, which a package that clones values turns into plain
 * objects, compares by reference and so loses; and it would change the tree that was given.
 */
export function applyJsonPatch(exact: unknown, operations: unknown): Result<unknown> {
  const read = readJsonOperations(operations);
  if (!read.ok) return read;
  let resource = exact;
  let copiedLetters = 0;
  for (const [i, operation] of read.value.entries()) {
    if (operation.op === "copy") copiedLetters += measure(valueAt(resource, operation.from)).letters;
    const next = copiedLetters > mostCopiedLetters ? tooMuch : applied(resource, operation);
    if (!next.ok) return refused(...next.refusals.map((one) => ({ ...one, at: `operations[${i}]` })));
    resource = next.value;
  }
  const changed = identityRefusal(exact, resource);
  return changed === undefined ? accepted(resource) : refused(changed);
}

const tooMuch = refused({
  kind: "too-costly",
  detail: `The copy operations copy more than ${mostCopiedLetters} letters. Copy less.`,
  status: 422,
});

function applied(resource: unknown, operation: JsonOperation): Result<unknown> {
  const { path } = operation;
  switch (operation.op) {
    case "add":
      return added(resource, path, operation.value);
    case "remove":
      return removed(resource, path);
    case "replace":
      return replaced(resource, path, operation.value);
    case "move": {
      const value = valueAt(resource, operation.from);
      const without = removed(resource, operation.from);
      return value === undefined || !without.ok ? notThere(operation.from) : added(without.value, path, value);
    }
    case "copy": {
      const value = valueAt(resource, operation.from);
      return value === undefined ? notThere(operation.from) : added(resource, path, value);
    }
    case "test": {
      const value = valueAt(resource, path);
      if (value === undefined) return notThere(path);
      return jsonEqual(value, operation.value) ? accepted(resource) : refused(otherValue(path));
    }
  }
}

function added(resource: unknown, path: Tokens, value: unknown): Result<unknown> {
  const large = tooLarge(path, value);
  if (large !== undefined) return refused(large);
  const token = path.at(-1);
  if (token === undefined) return accepted(value);
  const next = withChanged(resource, path.slice(0, -1), (parent) => {
    if (!Array.isArray(parent)) return isObject(parent) ? withMember(parent, token, value) : undefined;
    const index = token === "-" ? parent.length : arrayIndex(token);
    return index === undefined || index > parent.length ? undefined : parent.toSpliced(index, 0, value);
  });
  return next === undefined ? notThere(path) : accepted(next);
}

function removed(resource: unknown, path: Tokens): Result<unknown> {
  const token = path.at(-1);
  if (token === undefined) return refused(processing("The whole resource cannot be removed. Send DELETE instead."));
  const next = withChanged(resource, path.slice(0, -1), (parent) =>
    childOf(parent, token) === undefined ? undefined : withoutMember(parent, token),
  );
  return next === undefined ? notThere(path) : accepted(next);
}

function replaced(resource: unknown, path: Tokens, value: unknown): Result<unknown> {
  const large = tooLarge(path, value);
  if (large !== undefined) return refused(large);
  const next = withChanged(resource, path, () => value);
  return next === undefined ? notThere(path) : accepted(next);
}

function tooLarge(path: Tokens, value: unknown): Refusal | undefined {
  const { levels, widest } = measure(value);
  if (path.length + levels > deepestLevel) {
    return processing(`The result would be nested deeper than ${deepestLevel} levels. Flatten it.`);
  }
  return widest > mostMembers ? processing(`No object of FHIR has more than ${mostMembers} members.`) : undefined;
}

function notThere(path: Tokens): Result<never> {
  const detail = `The resource has nothing at "${pointerOf(path)}". Read the resource again and address what is there.`;
  return refused(processing(detail));
}

function otherValue(path: Tokens): Refusal {
  const detail = `The test failed: the resource has another value at "${pointerOf(path)}". Read the resource again and send a patch for that version.`;
  return processing(detail);
}

function processing(detail: string): Refusal {
  return { kind: "processing", detail, status: 422 };
}

/** The JSON Pointer of a path, cut off where it is long. */
function pointerOf(path: Tokens): string {
  return path
    .map((token) => `/${token.replaceAll("~", "~0").replaceAll("/", "~1")}`)
    .join("")
    .slice(0, 200);
}
