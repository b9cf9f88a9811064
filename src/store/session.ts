import type { Session, Spread } from "../domain/session.ts";
import type { TenantSession } from "./database.ts";
import { sessionColumns } from "./session-row.ts";

/** A therapy_session row as a JSON array, in the order of `sessionColumns`; absent values are null. */
export type SessionJson = readonly unknown[];

/**
 * SQL that builds one SessionJson from alias `s`; times are epoch milliseconds. As an array, and as text from the start:
 * of 67 000 sessions the same as jsonb objects took six times as long.
 */
export const sessionJson = `json_build_array(${Object.entries(sessionColumns).map(jsonColumn).join(", ")})`;

function jsonColumn([name, type]: readonly [name: string, type: string]): string {
  if (type === "timestamptz") return `(extract(epoch from s.${name}) * 1000)::bigint`;
  return type === "bytea" ? `encode(s.${name}, 'hex')` : `s.${name}`;
}

/** The field that each column becomes. */
const sessionFields: Readonly<Record<keyof typeof sessionColumns, keyof Session>> = {
  session_id: "sessionId",
  patient_id: "patientId",
  device_id: "deviceId",
  started_at: "startMs",
  ended_at: "endMs",
  sequence_number: "sequenceNumber",
  device_start: "deviceStart",
  local_day: "localDay",
  day_part: "dayPart",
  read_at: "readMs",
  record_digest: "recordDigest",
  test: "test",
  profile_slot: "profileSlot",
  trigger_mode: "triggerMode",
  stop_reason: "stopReason",
  cycles_delivered: "cyclesDelivered",
  cycles_triggered: "cyclesTriggered",
  set_insufflation_pressure_cmh2o: "setInsufflationPressureCmH2O",
  set_exsufflation_pressure_cmh2o: "setExsufflationPressureCmH2O",
  set_insufflation_seconds: "setInsufflationSeconds",
  set_exsufflation_seconds: "setExsufflationSeconds",
  set_pause_seconds: "setPauseSeconds",
  achieved_insufflation_pressure_cmh2o: "achievedInsufflationPressureCmH2O",
  achieved_exsufflation_pressure_cmh2o: "achievedExsufflationPressureCmH2O",
  cycles_short_of_pressure: "cyclesShortOfPressure",
  insufflated_volume_ml: "insufflatedVolumeMillilitres",
  peak_cough_flow_l_per_min: "peakCoughFlowLitresPerMinute",
  leak_l_per_min: "leakLitresPerMinute",
  lowest_spo2_percent: "lowestSpo2Percent",
  mean_spo2_percent: "meanSpo2Percent",
  pulse_per_min: "pulsePerMinute",
};

const fieldsInOrder = Object.keys(sessionColumns).map((name) => sessionFields[name as keyof typeof sessionColumns]);

/** Reads a row back as the domain's Session; a column that is null is absent, and so is the mark of a test where it is none. */
export function sessionOfJson(row: SessionJson): Session {
  const session: Record<string, unknown> = {};
  for (const [index, field] of fieldsInOrder.entries()) {
    const value = row[index];
    if (value === null || value === false) continue;
    const read = Array.isArray(value) ? spreadOf(value) : value;
    if (read !== undefined) session[field] = read;
  }
  return session as unknown as Session;
}

function spreadOf(value: readonly unknown[]): Spread | undefined {
  const [median, p5, p95] = value as [number | null, number | null, number | null];
  if (median === null) return undefined;
  return { median, ...(p5 === null ? {} : { p5 }), ...(p95 === null ? {} : { p95 }) };
}

/** What is stored already under these session ids: enough to tell a resend from a contradiction. */
export async function storedRecords(
  session: TenantSession,
  sessionIds: readonly string[],
): Promise<Map<string, { recordDigest: string; readMs: number }>> {
  const rows = await session.query<{ session_id: string; digest: string; read_at: number }>(
    // One look into the primary key each. On an empty table any index that begins with the tenant looks as good to the planner,
    // which would keep to it until the table is analyzed; how large a table has become it sees each time.
    `select s.session_id, s.digest, s.read_at from unnest($2::text[]) as w(id) cross join lateral (
       select session_id, encode(record_digest, 'hex') as digest, read_at from therapy_session
       where tenant_id = $1 and session_id = w.id limit 1) s`,
    [session.tenantId, sessionIds],
    "each time",
  );
  return new Map(rows.map((row) => [row.session_id, { recordDigest: row.digest, readMs: row.read_at }]));
}

/** Makes uploads of one device wait for each other until the transaction ends, so that each sees what the other stored. */
export async function lockDevice(session: TenantSession, deviceId: string): Promise<void> {
  await session.query("select pg_advisory_xact_lock($1, hashtext($2))", [session.tenantId, `device ${deviceId}`]);
}
