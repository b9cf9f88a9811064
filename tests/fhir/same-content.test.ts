import { expect, test } from "vitest";
import { readJson, stampedJson } from "../../src/fhir/json.ts";
import { hasSameContent } from "../../src/fhir/same-content.ts";

const stamp = { id: "1", versionId: "3", lastUpdated: "2026-06-10T12:00:00.000Z" };
const exact = (text: string) => {
  const read = readJson(text);
  if (!read.ok) throw new Error("no JSON");
  return read.value.exact;
};
const stored = {
  body: stampedJson(exact('{"resourceType":"Goal","id":"1","note":[{"text":"a"}],"x":{"v":1.50,"u":"m"}}'), stamp),
  stamp,
};

test.each([
  ["the same", '{"resourceType":"Goal","id":"1","note":[{"text":"a"}],"x":{"v":1.50,"u":"m"}}', true],
  ["members in another order", '{"x":{"u":"m","v":1.50},"note":[{"text":"a"}],"id":"1","resourceType":"Goal"}', true],
  [
    "the version and time of another",
    '{"resourceType":"Goal","id":"1","meta":{"versionId":"9"},"note":[{"text":"a"}],"x":{"v":1.50,"u":"m"}}',
    true,
  ],
  [
    "another text of the same length",
    '{"resourceType":"Goal","id":"1","note":[{"text":"b"}],"x":{"v":1.50,"u":"m"}}',
    false,
  ],
  ["one element more", '{"resourceType":"Goal","id":"1","note":[{"text":"a"}],"x":{"v":1.50,"u":"m"},"y":1}', false],
  // https://hl7.org/fhir/R4/datatypes.html#decimal: the precision of 1.50 is not that of 1.5.
  [
    "a number with another precision",
    '{"resourceType":"Goal","id":"1","note":[{"text":"a"}],"x":{"v":1.5,"u":"m"}}',
    false,
  ],
])("%s", (_, text, expected) => {
  expect(hasSameContent(exact(text), stored)).toBe(expected);
});
