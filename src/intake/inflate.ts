import { gunzipSync } from "node:zlib";
import { accepted, type Result, refused } from "../domain/result.ts";

/**
 * Unpacks gzip within `maxBytes`. Unpacking stops at that size, so a small body cannot swell until memory is gone;
 * swelling bodies are refused as too long, cut off and damaged ones as malformed.
 */
export function inflate(bytes: Uint8Array, maxBytes: number): Result<Uint8Array> {
  try {
    return accepted(gunzipSync(bytes, { maxOutputLength: maxBytes }));
  } catch (error) {
    if ((error as { code?: string }).code === "ERR_BUFFER_TOO_LARGE") {
      const detail = `Unpacked, the body is larger than ${maxBytes} bytes. Send the upload in parts.`;
      return refused({ kind: "too-long", detail, status: 413 });
    }
    return refused({ kind: "structure", detail: "The gzip body is cut off or damaged. Send it again." });
  }
}
