import fc from "fast-check";
import { expect, test } from "vitest";
import { readJson, stampedJson } from "../../src/fhir/json.ts";

const stamp = { id: "a", versionId: "2", lastUpdated: "2026-03-01T10:00:00.000Z" };

function read(text: string) {
  const found = readJson(text);
  if (!found.ok) throw new Error(found.refusals[0]?.detail);
  return found.value;
}

function refusal(text: string) {
  const found = readJson(text);
  if (found.ok) throw new Error("not refused");
  return found.refusals[0];
}

// https://hl7.org/fhir/R4/datatypes.html#decimal: "the precision of the decimal value has significance"; 0.010 and
// 0.01 differ, exponents are allowed.
test.each([
  "0.010",
  "1.50",
  "100.0",
  "1e3",
  "1.00E-3",
  "-0",
  "-0.0",
  "12345678901234567890",
  "0.12345678901234567",
  "123456.12345678901234",
  "0.00000001",
  "7",
  "-3.25",
  "0",
])("the number %s comes back as it was written", (number) => {
  const text = `{"resourceType":"Basic","n":${number},"list":[${number}]}`;
  expect(JSON.stringify(read(text).exact)).toBe(text);
});

test("beside the exact number stands the one to compute with", () => {
  expect(read('{"n":1.50}').value).toEqual({ n: 1.5 });
});

test("a number inside a text is no number", () => {
  const text = '{"note":"1.50 or 1e3","at":"2026-03-01T10:00:00.000Z"}';
  expect(JSON.stringify(read(text).exact)).toBe(text);
});

test("any decimal comes back as it was written", () => {
  const digits = fc.string({ unit: fc.constantFrom(..."0123456789"), minLength: 1, maxLength: 24 });
  const decimal = fc
    .tuple(
      fc.boolean(),
      fc.bigInt({ min: 0n, max: 10n ** 22n }),
      fc.option(digits),
      fc.option(fc.integer({ min: -40, max: 40 })),
    )
    .map(
      ([minus, whole, part, power]) =>
        `${minus ? "-" : ""}${whole}${part === null ? "" : `.${part}`}${power === null ? "" : `e${power}`}`,
    );
  fc.assert(
    fc.property(decimal, (number) => {
      expect(JSON.stringify(read(`{"n":${number}}`).exact)).toBe(`{"n":${number}}`);
    }),
    { numRuns: 500 },
  );
});

test("malformed text is refused with line and column", () => {
  expect(refusal('{\n  "a": 1,\n  "b": ,\n}')).toMatchObject({
    kind: "structure",
    detail: expect.stringContaining("line 3, column 8"),
  });
});

test("text that breaks off is refused at its end", () => {
  expect(refusal('{"a":')?.detail).toContain("line 1, column 6");
});

test.each(["[]", '"text"', "5", "null"])("%s is no resource and is refused", (text) => {
  expect(refusal(text)).toMatchObject({ kind: "structure", status: 400 });
});

test("nesting is bounded at 64 levels, and a hundred thousand are refused without harm", () => {
  const nested = (levels: number) => `${'{"a":'.repeat(levels - 1)}{}${"}".repeat(levels - 1)}`;
  expect(readJson(nested(64)).ok).toBe(true);
  expect(refusal(nested(65))?.detail).toContain("64 levels");
  expect(refusal(`{"a":${"[".repeat(100_000)}${"]".repeat(100_000)}}`)?.detail).toContain("64 levels");
});

test.each(['{"__proto__":{"admin":true}}', '{"\\u005f_proto__":{"admin":true}}', '{"a":{"__proto__":{"n":1.50}}}'])(
  "%s leaves no prototype behind",
  (text) => {
    const { value, exact } = read(text);
    for (const one of [value, exact]) {
      expect(JSON.stringify(one)).not.toContain("proto");
      expect(JSON.stringify({ ...(one as object) })).not.toContain("admin");
    }
  },
);

test("a stamp puts type, id and meta first and keeps the rest in its order", () => {
  const text = '{"status":"final","resourceType":"Observation","id":"theirs","code":{"text":"x"},"valueDecimal":1.50}';
  expect(stampedJson(read(text).exact, stamp)).toBe(
    '{"resourceType":"Observation","id":"a","meta":{"versionId":"2","lastUpdated":"2026-03-01T10:00:00.000Z"},"status":"final","code":{"text":"x"},"valueDecimal":1.50}',
  );
});

test("of the sender's meta the tags and profiles stay, version and time do not", () => {
  const exact = { resourceType: "Patient", meta: { versionId: "99", lastUpdated: "1999", tag: [{ code: "t" }] } };
  expect(JSON.parse(stampedJson(exact, stamp))).toEqual({
    resourceType: "Patient",
    id: "a",
    meta: { versionId: "2", lastUpdated: stamp.lastUpdated, tag: [{ code: "t" }] },
  });
});
