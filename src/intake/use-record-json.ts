import { accepted, type Result, refused } from "../domain/result.ts";
import { firstJsonFault } from "./json-place.ts";
import type { RawUpload } from "./raw-upload.ts";

/** The format nests five deep; what nests far deeper is no record, and would exhaust the stack when kept as refused. */
const deepestNesting = 32;

/** Takes a JSON upload apart; malformed JSON is refused with line and column. */
export function readJsonUpload(text: string): Result<RawUpload> {
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
  if (nestsDeeper(value, deepestNesting)) {
    const detail = `The body nests more than ${deepestNesting} levels deep. Send the fields of the format only.`;
    return refused({ kind: "structure", detail });
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

function nestsDeeper(value: unknown, levels: number): boolean {
  if (typeof value !== "object" || value === null) return false;
  return levels === 0 || Object.values(value).some((one) => nestsDeeper(one, levels - 1));
}
