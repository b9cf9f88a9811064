import { describe, expect, test } from "vitest";
import { readKeySet } from "../../src/flows/key-set.ts";
import { keyPair } from "../support/client.ts";

const problemsOf = (...keys: unknown[]) => readKeySet({ keys }).problems;

test("keeps of a key what is public and what it is for", async () => {
  const { jwk } = await keyPair("ES384", "one");
  const { set, problems } = readKeySet({ keys: [{ ...jwk, "x-note": "mine", key_ops: ["verify"] }] });
  expect(problems).toEqual([]);
  expect(Object.keys(set.keys[0] ?? {}).sort()).toEqual(["alg", "crv", "kid", "kty", "x", "y"]);
});

// The example private keys of RFC 7517, appendix A.2, carry d; of A.3, k.
describe("a key that is no public one is refused", () => {
  test.each(["d", "p", "k"])("with %s", async (member) => {
    const { jwk } = await keyPair();
    expect(problemsOf({ ...jwk, [member]: "AQAB" })[0]).toMatch(/secret key/);
  });
});

describe("a key that cannot check an assertion is named with its place", () => {
  test.each<[string, object]>([
    ["without a kid", { kid: undefined }],
    ["for encryption", { use: "enc" }],
    ["on another curve", { crv: "P-256" }],
    ["for another algorithm", { alg: "ES256" }],
    ["of another kind", { kty: "oct" }],
    ["without a point", { x: 1 }],
  ])("%s", async (_what, over) => {
    const { jwk } = await keyPair();
    expect(problemsOf({ ...jwk, ...over })[0]).toMatch(/^keys\[0\]: /);
  });

  // RFC 7518, 3.3: "A key of size 2048 bits or larger MUST be used".
  test("of RSA with fewer than 2048 bits", () => {
    expect(problemsOf({ kty: "RSA", kid: "a", e: "AQAB", n: "A".repeat(171) })[0]).toMatch(/2048/);
  });

  test("under the kid of another", async () => {
    const [one, two] = [await keyPair("ES384", "same"), await keyPair("ES384", "same")];
    expect(problemsOf(one.jwk, two.jwk)).toEqual(["keys[1]: another key has the same kid."]);
  });
});

test.each([null, 1, "x", {}, { keys: [] }, { keys: {} }, { keys: Array.from({ length: 51 }, () => ({})) }])(
  "what is no key set is told what one is (%#)",
  (value) => expect(readKeySet(value).problems).toEqual(['A key set is { "keys": [ … ] } with 1 to 50 keys.']),
);
