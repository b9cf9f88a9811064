import { accepted, type Result, refused } from "../domain/result.ts";
import { withinJsonBounds } from "./json-bounds.ts";
import { firstJsonFault } from "./json-place.ts";
import type { RawUpload } from "./raw-upload.ts";
import { tooManySessions } from "./use-record-refusals.ts";
import { mostSessions } from "./use-record-schema.ts";

/** Takes a JSON upload apart; malformed JSON is refused with line and column. */
export function readJsonUpload(text: string): Result<RawUpload> {
  const bounds = withinJsonBounds(text);
  if (!bounds.ok) return bounds;
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    const place = firstJsonFault(text);
    const where = place === undefined ? "" : ` at line ${place.line}, column ${place.column}`;
    const detail = `The body is not JSON${where}. Correct it there, or send it again if it was cut off.`;
    return refused({ kind: "structure", detail });
  }
  if (typeof value !== "object" || value === null || Array.isArray(value)) {
    return refused({ kind: "structure", detail: "Send one JSON object with device, readAt and sessions." });
  }
  const { sessions, ...envelope } = value as { sessions?: unknown };
  if (!Array.isArray(sessions)) {
    return refused({ kind: "required", detail: "Add the list of sessions; it may be empty.", at: "sessions" });
  }
  if (sessions.length > mostSessions) return refused(tooManySessions(mostSessions));
  return accepted({
    envelope,
    sessions: sessions.map((received, index) => ({ at: `sessions[${index}]`, received })),
  });
}
