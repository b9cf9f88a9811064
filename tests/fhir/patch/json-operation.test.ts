import { expect, test } from "vitest";
import { readJsonOperations } from "../../../src/fhir/patch/json-operation.ts";

// RFC 6902, 4; RFC 6901, 3 and 4.
test("operations are read with their pointers unescaped, what the RFC does not name left out", () => {
  expect(
    readJsonOperations([
      { op: "add", path: "/a~1b/m~0n/~01/0", value: null, comment: "x" },
      { op: "remove", path: "/" },
      { op: "move", from: "", path: "" },
    ]),
  ).toEqual({
    ok: true,
    value: [
      { op: "add", path: ["a/b", "m~n", "~1", "0"], value: null },
      { op: "remove", path: [""] },
      { op: "move", from: [], path: [] },
    ],
  });
});

test("an empty array is a patch that changes nothing", () => {
  expect(readJsonOperations([])).toEqual({ ok: true, value: [] });
});

test("every malformed operation is named, at most 50", () => {
  const found = readJsonOperations([{ op: "remove" }, { op: "remove", path: "/a" }, null]);
  expect(found.ok ? [] : found.refusals.map((one) => one.at)).toEqual(["operations[0].path", "operations[2]"]);
  const many = readJsonOperations(Array(60).fill({}));
  expect(many.ok ? 0 : many.refusals.length).toBe(50);
});

test("a value that is inherited is no value", () => {
  expect(readJsonOperations([Object.create({ op: "remove", path: "/a" })])).toMatchObject({ ok: false });
});
