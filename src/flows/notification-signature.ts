import { createHmac } from "node:crypto";

/** HMAC-SHA256 (RFC 2104 with SHA-256; https://www.rfc-editor.org/rfc/rfc4231 has test cases) in hexadecimal digits. */
export function hmacSha256(key: Buffer, text: string | Buffer): string {
  return createHmac("sha256", key).update(text).digest("hex");
}

/**
 * The header fields that let an endpoint know who sends and when: the signature is of `timestamp.body`, so that neither can be
 * changed and an old notification cannot be sent again by somebody else for longer than the endpoint allows.
 */
export function signatureHeaders(key: Buffer, body: string, nowMs: number): Readonly<Record<string, string>> {
  const timestamp = String(Math.floor(nowMs / 1_000));
  return {
    "x-tidegate-timestamp": timestamp,
    "x-tidegate-signature": `sha256=${hmacSha256(key, `${timestamp}.${body}`)}`,
  };
}
