import { expect, test } from "vitest";
import { causeText, readCause } from "../../src/store/cause.ts";

// Trace Context, 3.2.2: the example of the header.
const traceparent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";

test("what is written of a cause is read again", () => {
  for (const cause of [{ requestId: "a-1" }, { requestId: "Ward:7.2_x", traceparent }])
    expect(readCause(causeText(cause))).toEqual(cause);
});

test("nothing but letters of an id and of a trace ever becomes part of a statement", () => {
  expect(causeText({ requestId: "a'; drop table resource; --" })).toBeUndefined();
  expect(causeText({ requestId: "" })).toBeUndefined();
  expect(causeText({ requestId: "a".repeat(65) })).toBeUndefined();
  expect(causeText({ requestId: "a", traceparent: "00-x'" })).toBe("a");
});

test("anything else is no cause", () => {
  for (const text of [undefined, null, 7, "", "a b c", "a'b"]) expect(readCause(text)).toBeUndefined();
  expect(readCause("a not-a-trace")).toEqual({ requestId: "a" });
});
