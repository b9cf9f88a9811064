import { describe, expect, test } from "vitest";
import { characterSetOf, characterSets, decoded, encoded } from "../../../src/intake/hl7v2/charset.ts";

describe("MSH-18", () => {
  test.each(characterSets)("names %s", (name) => {
    expect(characterSetOf(name)).toEqual({ ok: true, value: name });
  });

  test("is ASCII where it is empty, unless the place says otherwise", () => {
    expect(characterSetOf("")).toMatchObject({ value: "ASCII" });
    expect(characterSetOf("", "8859/1")).toMatchObject({ value: "8859/1" });
  });

  test.each(["UNICODE UTF-16", "ISO IR14", "8859/16", "constructor"])("%s is not read", (name) => {
    expect(characterSetOf(name)).toMatchObject({ ok: false, refusals: [{ at: "MSH-18" }] });
  });
});

describe("the same bytes", () => {
  const bytes = Buffer.from([0x4d, 0xfc, 0x80, 0xa4]);

  // ISO 8859-15 differs from 8859-1 in eight places; A4 is the euro sign there and the currency sign here.
  test("are other texts in other sets, and no text in some", () => {
    expect(decoded(bytes, "8859/1")).toMatchObject({ value: "Mü\u0080¤" });
    expect(decoded(bytes, "8859/15")).toMatchObject({ value: "Mü\u0080€" });
    // ISO 8859-2 has the same u, and its currency sign in the same place; 8859-5 and 8859-7 have other alphabets there.
    expect(decoded(bytes, "8859/2")).toMatchObject({ value: "Mü\u0080¤" });
    expect(decoded(Buffer.from([0xb0, 0xd1]), "8859/5")).toMatchObject({ value: "Аб" });
    expect(decoded(Buffer.from([0xc1, 0xe2]), "8859/7")).toMatchObject({ value: "Αβ" });
    // 8859-7 gives FF to no letter.
    expect(decoded(Buffer.from([0xff]), "8859/7").ok).toBe(false);
    expect(decoded(bytes, "UNICODE UTF-8").ok).toBe(false);
    expect(decoded(bytes, "ASCII").ok).toBe(false);
  });
});

test("an answer goes out in the set of the message", () => {
  expect(encoded("Mü–", "UNICODE UTF-8").toString("hex")).toBe("4dc3bce28093");
  expect(encoded("Mü–", "8859/1").toString("latin1")).toBe("Mü?");
  expect(encoded("Mü–", "ASCII").toString("latin1")).toBe("M??");
});
