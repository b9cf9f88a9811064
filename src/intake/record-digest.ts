import { createHash } from "node:crypto";
import type { SessionRecord } from "../domain/session.ts";

/**
 * SHA-256 (hex) of a record as canonical JSON, device included. The same record gives the same digest whatever the
 * order of its fields or the format it came in; any other value gives another.
 */
export function recordDigest(record: SessionRecord, deviceId: string): string {
  return createHash("sha256")
    .update(`${deviceId}\n${canonicalJson({ ...record, start: sameTime(record.start), end: sameTime(record.end) })}`)
    .digest("hex");
}

/**
 * The id of a session, made of what identifies it: device, sequence number, and the device's own start.
 * A FHIR id of at most 56 characters.
 */
export function sessionId(
  deviceId: string,
  record: Pick<SessionRecord, "sequenceNumber" | "start">,
  prefix: string,
): string {
  return recordId(deviceId, [record.sequenceNumber ?? null, sameTime(record.start)], prefix);
}

/** The id of any record of a device, made of what tells it from the device's others: the same parts, the same id. */
export function recordId(deviceId: string, parts: readonly (string | number | null)[], prefix: string): string {
  return `${prefix}-${createHash("sha256")
    .update(JSON.stringify([deviceId, ...parts]))
    .digest("hex")
    .slice(0, 32)}`;
}

const dateTime = /^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?)(Z|[+-]\d\d:\d\d)?$/i;

/**
 * The id of an alert, made of what identifies it: device, the device's own code, and the device's own time, however it
 * is spelled. A time in UTC, or without offset, that has no fraction stands in it as it came.
 */
export function alertId(deviceId: string, alert: { readonly code: string; readonly at: string }): string {
  const at = sameTime(alert.at).replace(/\.(\d*?)0+(Z?)$/, (_, digits, zone) => (digits ? `.${digits}${zone}` : zone));
  return recordId(deviceId, [alert.code, at], "alert");
}

/** One spelling for the same reading of a clock: 09:00+01:00 is 08:00Z; a time without offset keeps having none. */
function sameTime(text: string): string {
  const match = dateTime.exec(text);
  const ms = match === null ? Number.NaN : Date.parse(`${match[1]}${match[2] ?? "Z"}`);
  if (match === null || Number.isNaN(ms)) return text;
  const iso = new Date(ms).toISOString();
  return match[2] === undefined ? iso.slice(0, -1) : iso;
}

function canonicalJson(value: unknown): string {
  if (Array.isArray(value)) return `[${value.map(canonicalJson).join(",")}]`;
  if (typeof value !== "object" || value === null) return JSON.stringify(value);
  const members = Object.entries(value)
    .filter(([, one]) => one !== undefined)
    .sort(([a], [b]) => (a < b ? -1 : 1));
  return `{${members.map(([name, one]) => `${JSON.stringify(name)}:${canonicalJson(one)}`).join(",")}}`;
}
