import fc from "fast-check";
import { expect, test } from "vitest";
import { escaped, unescaped } from "../../../src/intake/hl7v2/escapes.ts";

const delimiters = { field: "|", component: "^", repetition: "~", escape: "\\", subcomponent: "&" };

// HL7 v2.5.1, 2.7.
test.each([
  ["the delimiters", "\\F\\\\S\\\\T\\\\R\\\\E\\", "|^&~\\"],
  ["a line break", "one\\.br\\two", "one\ntwo"],
  ["highlighting, which goes", "\\H\\bold\\N\\", "bold"],
  ["bytes", "M\\XC3BC\\ller", "Müller"],
  ["what is not known, which stays", "\\Zlocal\\ \\C2842\\", "\\Zlocal\\ \\C2842\\"],
  ["an escape that never ends", "50\\", "50\\"],
  ["bytes that are no text, which stay", "\\XFF\\", "\\XFF\\"],
  ["U+0000, which no database text holds", "a\\X00\\b", "a\ufffdb"],
])("%s", (_what, text, plain) => {
  expect(unescaped(text, delimiters, "UNICODE UTF-8")).toBe(plain);
});

test("what is escaped comes back, and holds no delimiter", () => {
  fc.assert(
    fc.property(fc.string({ unit: "grapheme" }), (given) => {
      const text = given.replace(/[\r\0]/g, "");
      const sent = escaped(text, delimiters);
      expect(sent).not.toMatch(/[|^~&\r\n]/);
      expect(unescaped(sent, delimiters, "UNICODE UTF-8")).toBe(text);
    }),
  );
});
