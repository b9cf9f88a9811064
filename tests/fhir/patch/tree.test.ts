import { expect, test } from "vitest";
import { readJson } from "../../../src/fhir/json.ts";
import {
  arrayIndex,
  childOf,
  isObject,
  isRawNumber,
  measure,
  valueAt,
  withChanged,
  withMember,
  withoutMember,
} from "../../../src/fhir/patch/tree.ts";

function exact(text: string): { it: unknown } {
  const read = readJson(`{"it":${text}}`);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value.exact as { it: unknown };
}

test("a number kept as written is a leaf, not an object", () => {
  const { it } = exact("1.50");
  expect([isRawNumber(it), isObject(it), childOf(it, "rawJSON")]).toEqual([true, false, undefined]);
  expect([isRawNumber({ rawJSON: "1.50" }), isRawNumber(1.5), isRawNumber(null)]).toEqual([false, false, false]);
});

// RFC 6901, 4: array-index = %x30 / ( %x31-39 *(%x30-39) )
test("an index has digits only and no leading zero", () => {
  expect(["0", "10", "01", "-1", "+1", "1e0", "", " 1", "99999999999"].map(arrayIndex)).toEqual([
    0,
    10,
    ...Array(7).fill(undefined),
  ]);
});

test("a path reads what is there, and nothing that objects and lists inherit", () => {
  const tree = { a: [{ b: null }] };
  expect(valueAt(tree, ["a", "0", "b"])).toBeNull();
  expect(valueAt(tree, [])).toBe(tree);
  for (const path of [["toString"], ["a", "length"], ["a", "0", "b", "c"], ["__proto__"], ["a", "1"]]) {
    expect(valueAt(tree, path)).toBeUndefined();
  }
});

test("a changed tree shares what was left alone, and the old one stays", () => {
  const tree = { a: [{ b: 1 }, { c: 2 }], d: { e: 3 } };
  const changed = withChanged(tree, ["a", "0", "b"], () => 9) as typeof tree;
  expect(changed).toEqual({ a: [{ b: 9 }, { c: 2 }], d: { e: 3 } });
  expect(tree).toEqual({ a: [{ b: 1 }, { c: 2 }], d: { e: 3 } });
  expect([changed.d === tree.d, changed.a[1] === tree.a[1]]).toEqual([true, true]);
  expect(withChanged(tree, ["a", "2"], () => 9)).toBeUndefined();
});

test("a member named __proto__ stays a member", () => {
  const made = withMember({}, "__proto__", { x: 1 }) as object;
  expect([Object.keys(made), Object.getPrototypeOf(made) === Object.prototype]).toEqual([["__proto__"], true]);
});

test("a member set keeps its place, one taken away closes the gap", () => {
  expect(JSON.stringify(withMember({ a: 1, b: 2 }, "a", 3))).toBe('{"a":3,"b":2}');
  expect(withMember(["a", "b"], "1", "c")).toEqual(["a", "c"]);
  expect(withoutMember({ a: 1, b: 2 }, "a")).toEqual({ b: 2 });
  expect(withoutMember(["a", "b", "c"], "1")).toEqual(["a", "c"]);
});

test("the measure of a value counts levels, letters and members", () => {
  expect(measure("abc")).toEqual({ levels: 1, letters: 5, widest: 0 });
  expect(measure(exact("1.50").it)).toEqual({ levels: 1, letters: 4, widest: 0 });
  expect(measure({ a: { b: [1] }, c: {} })).toMatchObject({ levels: 4, widest: 2 });
  expect(measure({ a: "x".repeat(1000) }).letters).toBeGreaterThan(1000);
});
