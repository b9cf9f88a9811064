import { gunzipSync } from "node:zlib";
import { accepted, type Result, refused } from "../domain/result.ts";

/** Unpacks gzip within `maxBytes`; cut off, corrupt and swelling bodies are refused. */
export function inflate(bytes: Uint8Array, maxBytes: number): Result<Uint8Array> {
  try {
    return accepted(gunzipSync(bytes, { maxOutputLength: maxBytes }));
  } catch (error) {
    if ((error as { code?: string }).code === "ERR_BUFFER_TOO_LARGE") {
      return refused({
        kind: "too-long",
        detail: `Unpacked, the body is larger than ${maxBytes} bytes. Send the upload in parts.`,
      });
    }
    return refused({ kind: "structure", detail: "The gzip body is cut off or damaged. Send it again." });
  }
}
