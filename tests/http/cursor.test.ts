import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { cursorsWith } from "../../src/http/cursor.ts";

const cursors = cursorsWith(Buffer.alloc(32, 1));
const list = ["caseload", 1, "name"];

describe("cursors", () => {
  test("whatever place is written is read again", () => {
    fc.assert(
      fc.property(fc.jsonValue(), (place) => {
        // As JSON knows it: minus zero is zero there.
        expect(cursors.read(list, cursors.write(list, place))).toEqual(JSON.parse(JSON.stringify(place)));
      }),
    );
  });

  test.each([
    ["another kind of list", ["uploads", 1, "name"]],
    ["another tenant", ["caseload", 2, "name"]],
    ["another order", ["caseload", 1, "urgency"]],
  ])("a place of one list is refused in %s", (_what, other) => {
    const text = cursors.write(list, { value: "Alder", patientId: "a" });
    expect(() => cursors.read(other, text)).toThrow("refused");
  });

  test("no changed letter goes unnoticed", () => {
    const text = cursors.write(list, { value: "Alder", patientId: "a" });
    // The last letter of each half may hold bits that base64url ignores.
    for (let i = 0; i < text.length - 1; i += 1) {
      if (text[i] === "." || text[i + 1] === ".") continue;
      const changed = `${text.slice(0, i)}${text[i] === "A" ? "B" : "A"}${text.slice(i + 1)}`;
      expect(() => cursors.read(list, changed), changed).toThrow("refused");
    }
  });

  test("another key's cursor is refused", () => {
    const text = cursorsWith(Buffer.alloc(32, 2)).write(list, 1);
    expect(() => cursors.read(list, text)).toThrow("refused");
  });
});
