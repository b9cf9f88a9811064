import type { Session, Spread, TriggerMode } from "../domain/session.ts";
import type { TenantSession } from "./database.ts";

/** A therapy_session row as JSON; absent values are null. */
export type SessionJson = Readonly<Record<string, unknown>>;

/** SQL that builds one SessionJson from alias `s`; times are epoch milliseconds. */
export const sessionJson = `to_jsonb(s) - 'tenant_id' - 'record_digest' || jsonb_build_object(
  'started_at', (extract(epoch from s.started_at) * 1000)::bigint,
  'ended_at', (extract(epoch from s.ended_at) * 1000)::bigint,
  'read_at', (extract(epoch from s.read_at) * 1000)::bigint,
  'record_digest', encode(s.record_digest, 'hex'))`;

function spreadOf(value: unknown): Spread | undefined {
  if (!Array.isArray(value) || typeof value[0] !== "number") return undefined;
  const [median, p5, p95] = value as [number, number | null, number | null];
  return { median, ...(p5 === null ? {} : { p5 }), ...(p95 === null ? {} : { p95 }) };
}

/** Reads a row back as the domain's Session; a column that is null is absent. */
export function sessionOfJson(row: SessionJson): Session {
  const number = (name: string) => (typeof row[name] === "number" ? (row[name] as number) : undefined);
  const text = (name: string) => (typeof row[name] === "string" ? (row[name] as string) : undefined);
  const session = {
    sessionId: String(row.session_id),
    patientId: String(row.patient_id),
    deviceId: String(row.device_id),
    sequenceNumber: number("sequence_number"),
    startMs: Number(row.started_at),
    endMs: Number(row.ended_at),
    deviceStart: String(row.device_start),
    localDay: String(row.local_day),
    dayPart: text("day_part"),
    readMs: Number(row.read_at),
    recordDigest: String(row.record_digest),
    test: row.test === true ? true : undefined,
    profileSlot: text("profile_slot"),
    triggerMode: text("trigger_mode") as TriggerMode | undefined,
    stopReason: text("stop_reason"),
    cyclesDelivered: number("cycles_delivered"),
    cyclesTriggered: number("cycles_triggered"),
    setInsufflationPressureCmH2O: number("set_insufflation_pressure_cmh2o"),
    setExsufflationPressureCmH2O: number("set_exsufflation_pressure_cmh2o"),
    setInsufflationSeconds: number("set_insufflation_seconds"),
    setExsufflationSeconds: number("set_exsufflation_seconds"),
    setPauseSeconds: number("set_pause_seconds"),
    achievedInsufflationPressureCmH2O: spreadOf(row.achieved_insufflation_pressure_cmh2o),
    achievedExsufflationPressureCmH2O: spreadOf(row.achieved_exsufflation_pressure_cmh2o),
    cyclesShortOfPressure: number("cycles_short_of_pressure"),
    insufflatedVolumeMillilitres: number("insufflated_volume_ml"),
    peakCoughFlowLitresPerMinute: number("peak_cough_flow_l_per_min"),
    leakLitresPerMinute: number("leak_l_per_min"),
    lowestSpo2Percent: number("lowest_spo2_percent"),
    meanSpo2Percent: number("mean_spo2_percent"),
    pulsePerMinute: number("pulse_per_min"),
  };
  return Object.fromEntries(Object.entries(session).filter(([, value]) => value !== undefined)) as unknown as Session;
}

/** What is stored already under these session ids: enough to tell a resend from a contradiction. */
export async function storedRecords(
  session: TenantSession,
  sessionIds: readonly string[],
): Promise<Map<string, { recordDigest: string; readMs: number }>> {
  const rows = await session.query<{ session_id: string; digest: string; read_at: number }>(
    `select session_id, encode(record_digest, 'hex') as digest, read_at from therapy_session
     where tenant_id = $1 and session_id = any($2::text[])`,
    [session.tenantId, sessionIds],
  );
  return new Map(rows.map((row) => [row.session_id, { recordDigest: row.digest, readMs: row.read_at }]));
}

/** Makes uploads of one device wait for each other until the transaction ends, so that each sees what the other stored. */
export async function lockDevice(session: TenantSession, deviceId: string): Promise<void> {
  await session.query("select pg_advisory_xact_lock($1, hashtext($2))", [session.tenantId, `device ${deviceId}`]);
}
