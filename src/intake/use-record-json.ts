import { accepted, type Result, refused } from "../domain/result.ts";
import type { RawUpload } from "./use-record.ts";

/** Takes a JSON upload apart; malformed JSON is refused with line and column. */
export function readJsonUpload(text: string): Result<RawUpload> {
  let value: unknown;
  try {
    value = JSON.parse(text, (key, one) => (key === "__proto__" ? undefined : one));
  } catch (error) {
    return refused({ kind: "structure", detail: `The body is not JSON: ${placeOf(text, error as Error)}.` });
  }
  if (typeof value !== "object" || value === null || Array.isArray(value)) {
    return refused({ kind: "structure", detail: "Send one JSON object with device, readAt and sessions." });
  }
  const { sessions, ...envelope } = value as { sessions?: unknown };
  if (!Array.isArray(sessions)) {
    return refused({ kind: "required", detail: "Add the list of sessions; it may be empty.", at: "sessions" });
  }
  return accepted({
    envelope,
    sessions: sessions.map((received, index) => ({ at: `sessions[${index}]`, received })),
  });
}

/** Where the parser stopped. Its message names the position, except at the very end of the text. */
function placeOf(text: string, error: Error): string {
  const position = Number(/at position (\d+)/.exec(error.message)?.[1] ?? text.length);
  const before = text.slice(0, position);
  return `line ${before.split("\n").length}, column ${position - before.lastIndexOf("\n")}`;
}
