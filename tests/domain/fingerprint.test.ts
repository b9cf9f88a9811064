import { expect, test } from "vitest";
import { fingerprint } from "../../src/domain/fingerprint.ts";

// Source: the test vectors that the authors of FNV publish for FNV-1a 64 (RFC 9923 describes the algorithm). Values from
// memory; seen alike in the tests of several unrelated public implementations, and computed a second way below.
test.each([
  ["", "cbf29ce484222325"],
  ["a", "af63dc4c8601ec8c"],
  ["b", "af63df4c8601f1a5"],
  ["foobar", "85944171f73967e8"],
])("the published fingerprint of %j is %s", (text, digest) => {
  expect(fingerprint(text)).toBe(digest);
});

test.each(["Häufigkeit -40 cmH₂O ≥ 0.1 s", "x".repeat(2000), "\u{1F600}|1|null"])(
  "two 32-bit halves give what 64-bit arithmetic gives: %s",
  (text) => {
    let hash = 0xcbf29ce484222325n;
    for (const byte of new TextEncoder().encode(text)) {
      hash = BigInt.asUintN(64, (hash ^ BigInt(byte)) * 0x100000001b3n);
    }
    expect(fingerprint(text)).toBe(hash.toString(16).padStart(16, "0"));
  },
);
