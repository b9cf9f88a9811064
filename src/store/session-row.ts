import type { Session, Spread } from "../domain/session.ts";
import { instant } from "./database.ts";

/** Columns of `therapy_session` after the tenant, with their types. */
export const sessionColumns = {
  session_id: "text",
  patient_id: "text",
  device_id: "text",
  started_at: "timestamptz",
  ended_at: "timestamptz",
  sequence_number: "bigint",
  device_start: "text",
  local_day: "date",
  day_part: "text",
  read_at: "timestamptz",
  record_digest: "bytea",
  test: "boolean",
  profile_slot: "text",
  trigger_mode: "text",
  stop_reason: "text",
  cycles_delivered: "integer",
  cycles_triggered: "integer",
  set_insufflation_pressure_cmh2o: "float8",
  set_exsufflation_pressure_cmh2o: "float8",
  set_insufflation_seconds: "float8",
  set_exsufflation_seconds: "float8",
  set_pause_seconds: "float8",
  achieved_insufflation_pressure_cmh2o: "float8[]",
  achieved_exsufflation_pressure_cmh2o: "float8[]",
  cycles_short_of_pressure: "integer",
  insufflated_volume_ml: "float8",
  peak_cough_flow_l_per_min: "float8",
  leak_l_per_min: "float8",
  lowest_spo2_percent: "float8",
  mean_spo2_percent: "float8",
  pulse_per_min: "float8",
};

function spreadColumn(spread: Spread | undefined): (number | null)[] | null {
  return spread === undefined ? null : [spread.median, spread.p5 ?? null, spread.p95 ?? null];
}

/** The row that a session becomes. */
export function sessionRow(s: Session): Record<string, unknown> {
  return {
    session_id: s.sessionId,
    patient_id: s.patientId,
    device_id: s.deviceId,
    started_at: instant(s.startMs),
    ended_at: instant(s.endMs),
    sequence_number: s.sequenceNumber,
    device_start: s.deviceStart,
    local_day: s.localDay,
    day_part: s.dayPart,
    read_at: instant(s.readMs),
    record_digest: `\\x${s.recordDigest}`,
    test: s.test ?? false,
    profile_slot: s.profileSlot,
    trigger_mode: s.triggerMode,
    stop_reason: s.stopReason,
    cycles_delivered: s.cyclesDelivered,
    cycles_triggered: s.cyclesTriggered,
    set_insufflation_pressure_cmh2o: s.setInsufflationPressureCmH2O,
    set_exsufflation_pressure_cmh2o: s.setExsufflationPressureCmH2O,
    set_insufflation_seconds: s.setInsufflationSeconds,
    set_exsufflation_seconds: s.setExsufflationSeconds,
    set_pause_seconds: s.setPauseSeconds,
    achieved_insufflation_pressure_cmh2o: spreadColumn(s.achievedInsufflationPressureCmH2O),
    achieved_exsufflation_pressure_cmh2o: spreadColumn(s.achievedExsufflationPressureCmH2O),
    cycles_short_of_pressure: s.cyclesShortOfPressure,
    insufflated_volume_ml: s.insufflatedVolumeMillilitres,
    peak_cough_flow_l_per_min: s.peakCoughFlowLitresPerMinute,
    leak_l_per_min: s.leakLitresPerMinute,
    lowest_spo2_percent: s.lowestSpo2Percent,
    mean_spo2_percent: s.meanSpo2Percent,
    pulse_per_min: s.pulsePerMinute,
  };
}
