import fc from "fast-check";
import { expect, test } from "vitest";
import { readJson } from "../../../src/fhir/json.ts";
import { applyJsonPatch } from "../../../src/fhir/patch/json-patch.ts";
import { applyPatch } from "../../../src/fhir/patch/patch.ts";

function exact(text: string): unknown {
  const read = readJson(text);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value.exact;
}

/** Numbers as people write them, many of which JavaScript would write otherwise. */
const decimal = fc.constantFrom("1.50", "1e3", "0.10", "-0", "12345678901234567890", "7", "2.000", "-3.25");

const name = fc.constantFrom("a", "b", "a/b", "m~n", "", "0", "toString", "value");

const leaf = fc.oneof(decimal, fc.string().map(JSON.stringify), fc.constantFrom("null", "true"));

/** Texts of JSON with objects and lists within. */
const json: fc.Arbitrary<string> = fc.letrec<{ node: string }>((tie) => ({
  node: fc.oneof(
    { maxDepth: 4, withCrossShrink: true },
    leaf,
    fc.array(tie("node"), { maxLength: 3 }).map((items) => `[${items.join(",")}]`),
    fc
      .array(fc.tuple(name, tie("node")), { maxLength: 3 })
      .map(
        (members) => `{${[...new Map(members)].map(([key, value]) => `${JSON.stringify(key)}:${value}`).join(",")}}`,
      ),
  ),
})).node;

const resourceText = fc.tuple(json, json).map(([x, y]) => `{"resourceType":"Basic","x":${x},"y":[${y}]}`);

const pointer = fc
  .array(fc.oneof(fc.constantFrom("x", "y", "0", "1", "-", "a", "b", "__proto__"), name, fc.string()), { maxLength: 6 })
  .map((tokens) => tokens.map((token) => `/${token.replaceAll("~", "~0").replaceAll("/", "~1")}`).join(""));

const operation = fc
  .record({
    op: fc.constantFrom("add", "remove", "replace", "move", "copy", "test"),
    path: pointer,
    from: pointer,
    value: json,
  })
  .map(
    (one) =>
      `{"op":"${one.op}","path":${JSON.stringify(one.path)},"from":${JSON.stringify(one.from)},"value":${one.value}}`,
  );

const patchText = fc.array(operation, { maxLength: 8 }).map((operations) => `[${operations.join(",")}]`);

// RFC 6902, 4.1 and 4.2: what add makes, remove takes away.
test("adding a member and removing it gives the resource as it was, to the letter", () => {
  fc.assert(
    fc.property(resourceText, json, (text, value) => {
      const operations = exact(`{"it":[{"op":"add","path":"/new","value":${value}},{"op":"remove","path":"/new"}]}`);
      const found = applyJsonPatch(exact(text), (operations as { it: unknown }).it);
      expect(found.ok && JSON.stringify(found.value)).toBe(JSON.stringify(exact(text)));
    }),
  );
});

test("a value added to a list and moved out and back stays as it was written", () => {
  fc.assert(
    fc.property(resourceText, json, (text, value) => {
      const operations = `[{"op":"add","path":"/y/0","value":${value}},{"op":"move","from":"/y/0","path":"/z"},
        {"op":"test","path":"/z","value":${value}},{"op":"move","from":"/z","path":"/y/-"}]`;
      const found = applyPatch(exact(text), "application/json-patch+json", operations);
      if (!found.ok) throw new Error(JSON.stringify(found.refusals));
      expect(JSON.stringify((found.value as { y: unknown[] }).y.at(-1))).toBe(
        JSON.stringify(exact(`{"it":${value}}`)).slice(6, -1),
      );
    }),
  );
});

test("any patch is applied or refused with a status of the client's, and leaves what it was given alone", () => {
  let applied = 0;
  fc.assert(
    fc.property(resourceText, patchText, (text, patch) => {
      const resource = exact(text);
      const operations = (exact(`{"it":${patch}}`) as { it: unknown }).it;
      const before = [JSON.stringify(resource), JSON.stringify(operations)];
      const found = applyJsonPatch(resource, operations);
      expect([JSON.stringify(resource), JSON.stringify(operations)]).toEqual(before);
      if (found.ok) applied += 1;
      else expect([400, 422]).toContain(found.refusals[0]?.status);
    }),
    { numRuns: 500 },
  );
  // Some of both kinds, else the law says little.
  expect(applied).toBeGreaterThan(10);
  expect(applied).toBeLessThan(490);
});

test("any JSON in place of operations is applied or refused, never broken off", () => {
  fc.assert(
    fc.property(fc.jsonValue(), (value) => {
      const found = applyJsonPatch({ resourceType: "Basic" }, value);
      if (!found.ok) expect(found.refusals[0]?.status).toBe(400);
      else expect(value).toEqual([]);
    }),
  );
});
