import { describe, expect, test } from "vitest";
import { keyFinder, readKeySet, signatureAlgorithms } from "../../src/flows/key-set.ts";
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

describe("a set for more algorithms", () => {
  test("keeps an RSA key for the one that it names, or for all of its kind", async () => {
    const { jwk } = await keyPair("RS384", "one");
    const read = (alg?: string) => readKeySet({ keys: [{ ...jwk, alg }] }, signatureAlgorithms).set.keys[0];
    expect(read("PS256")).toMatchObject({ kid: "one", alg: "PS256" });
    expect(read()).toMatchObject({ kid: "one", kty: "RSA" });
    expect(read()).not.toHaveProperty("alg");
    expect(read("HS256")).toBeUndefined();
  });

  test("keeps an EC key for the one algorithm of its curve (RFC 7518, 3.4)", async () => {
    const { jwk } = await keyPair("ES384", "one");
    const { alg: _, ...silent } = jwk;
    expect(readKeySet({ keys: [silent] }, signatureAlgorithms).set.keys).toMatchObject([{ alg: "ES384" }]);
    expect(readKeySet({ keys: [{ ...jwk, alg: "ES256" }] }, signatureAlgorithms).problems).toHaveLength(1);
  });
});

test("a key that is no point on its curve is refused as a key, when somebody signs with it", async () => {
  const { jwk } = await keyPair("ES384", "one");
  const find = keyFinder({ keys: [{ ...jwk, x: "AAAA" }] });
  await expect(find({ alg: "ES384", kid: "one" }, { payload: "", signature: "" })).rejects.toMatchObject({
    code: "ERR_JWKS_INVALID",
  });
});
