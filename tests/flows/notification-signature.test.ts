import { expect, test } from "vitest";
import { hmacSha256, signatureHeaders } from "../../src/flows/notification-signature.ts";

// https://www.rfc-editor.org/rfc/rfc4231#section-4.2 and 4.3: test cases 1 and 2.
test.each([
  [Buffer.alloc(20, 0x0b), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"],
  [
    Buffer.from("Jefe"),
    "what do ya want for nothing?",
    "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
  ],
])("HMAC-SHA256 is that of RFC 4231", (key, text, digest) => {
  expect(hmacSha256(key, text)).toBe(digest);
});

test("what is signed is the time, a full stop and the body", () => {
  const key = Buffer.from("Jefe");
  const headers = signatureHeaders(key, "{}", 1_775_811_600_999);
  expect(headers["x-tidegate-timestamp"]).toBe("1775811600");
  expect(headers["x-tidegate-signature"]).toBe(`sha256=${hmacSha256(key, "1775811600.{}")}`);
});
