import { describe, expect, test } from "vitest";
import { readJsonUpload } from "../../src/intake/use-record-json.ts";

function refusals(text: string) {
  const answer = readJsonUpload(text);
  return answer.ok ? [] : answer.refusals;
}

test("the sessions are taken out of the envelope and each knows where it stood", () => {
  expect(readJsonUpload('{"readAt":"x","sessions":[{"a":1},7]}')).toEqual({
    ok: true,
    value: {
      envelope: { readAt: "x" },
      sessions: [
        { at: "sessions[0]", received: { a: 1 } },
        { at: "sessions[1]", received: 7 },
      ],
    },
  });
});

describe("malformed JSON is refused with line and column", () => {
  test.each([
    ["a word without quotes", '{\n  "readAt": today\n}', "line 2, column 13"],
    ["a comma before the end", '{"sessions": [],\n}', "line 2, column 1"],
    ["a body cut off", '{"sessions": [', "line 1, column 15"],
    ["nothing at all", "", "line 1, column 1"],
  ])("%s", (_, text, place) => {
    expect(refusals(text)).toEqual([{ kind: "structure", detail: expect.stringContaining(place) }]);
  });
});

test.each(["null", "7", '"text"', "[]"])("%s is no upload", (text) => {
  expect(refusals(text)).toMatchObject([{ kind: "structure" }]);
});

test.each(["{}", '{"sessions":{}}', '{"sessions":null}'])("%s lacks the list of sessions", (text) => {
  expect(refusals(text)).toMatchObject([{ kind: "required", at: "sessions" }]);
});

test("32 levels are read, 33 are refused", () => {
  // The upload itself and its list of sessions are the first two.
  const nested = (levels: number) => `{"sessions":[${"[".repeat(levels - 2)}${"]".repeat(levels - 2)}]}`;
  expect(refusals(nested(32))).toEqual([]);
  expect(refusals(nested(33))).toMatchObject([{ kind: "structure" }]);
});
