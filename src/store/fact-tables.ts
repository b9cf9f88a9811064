import type { Fact } from "../domain/facts.ts";
import type { Session, Spread } from "../domain/session.ts";
import { isClosed } from "../domain/task.ts";
import { instant } from "./database.ts";

/** How one kind of fact stands in its table. */
export interface FactTable {
  readonly table: string;
  /** Resource types whose facts stand here; a table may hold several. */
  readonly from: readonly string[];
  /** Column that holds the id of the resource the fact comes from. */
  readonly source: string;
  /** Unique key after the tenant. */
  readonly key: readonly string[];
  /** Expression for the patients that a change concerns; null where the table names none. */
  readonly patient: string;
  readonly columns: Readonly<Record<string, string>>;
  /** The row that the fact becomes; undefined when the fact belongs elsewhere. */
  rows(fact: Fact): readonly Record<string, unknown>[];
}

const sessionColumns = {
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

function sessionRow(s: Session): Record<string, unknown> {
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
    insufflated_volume_ml: s.insufflatedVolumeMillilitres,
    peak_cough_flow_l_per_min: s.peakCoughFlowLitresPerMinute,
    leak_l_per_min: s.leakLitresPerMinute,
    lowest_spo2_percent: s.lowestSpo2Percent,
    mean_spo2_percent: s.meanSpo2Percent,
    pulse_per_min: s.pulsePerMinute,
  };
}

/** Plans, profiles, contraindications and absences as rows of `patient_fact`. */
function patientFactRows(fact: Fact): Record<string, unknown>[] {
  const row = (patientId: string, kind: string, sourceId: string, body: unknown) => [
    { patient_id: patientId, kind, source_id: sourceId, fact: body },
  ];
  switch (fact.kind) {
    case "plan":
      return row(fact.plan.patientId, "plan", fact.plan.planId, fact.plan);
    case "profile":
      return row(fact.patientId, "profile", fact.profile.profileId, { ...fact.profile, interface: fact.interface });
    case "contraindication":
      return row(fact.patientId, "contraindication", fact.contraindication.flagId, fact.contraindication);
    case "absence":
      return row(fact.patientId, "absence", fact.absence.sourceId, fact.absence);
    default:
      return [];
  }
}

/** Every table of facts. The order is that of writing. */
export const factTables: readonly FactTable[] = [
  {
    table: "patient",
    from: ["Patient"],
    source: "patient_id",
    key: ["patient_id"],
    patient: "patient_id",
    columns: {
      patient_id: "text",
      zone: "text",
      sort_name: "text",
      active: "boolean",
      birth_day: "date",
      deceased_day: "date",
      replaced_by: "text",
      organization_id: "text",
    },
    rows: (fact) =>
      fact.kind !== "patient"
        ? []
        : [
            {
              patient_id: fact.patient.patientId,
              zone: fact.patient.zone,
              sort_name: fact.patient.sortName,
              active: fact.patient.active,
              birth_day: fact.patient.birthDay,
              deceased_day: fact.patient.deceasedDay,
              replaced_by: fact.patient.replacedBy,
              organization_id: fact.patient.organizationId,
            },
          ],
  },
  {
    table: "device",
    from: ["Device"],
    source: "device_id",
    key: ["device_id"],
    patient: "null::text",
    columns: {
      device_id: "text",
      kind: "text",
      parent_id: "text",
      identifiers: "text[]",
      active: "boolean",
      service_due_day: "date",
    },
    rows: (fact) =>
      fact.kind !== "device"
        ? []
        : [
            {
              device_id: fact.device.deviceId,
              kind: fact.device.kind,
              parent_id: fact.device.parentId,
              identifiers: fact.device.identifiers,
              active: fact.device.active,
              service_due_day: fact.device.serviceDueDay,
            },
          ],
  },
  {
    table: "device_identifier",
    from: ["Device"],
    source: "device_id",
    key: ["identifier", "device_id"],
    patient: "null::text",
    columns: { identifier: "text", device_id: "text" },
    rows: (fact) =>
      fact.kind !== "device"
        ? []
        : [...new Set(fact.device.identifiers)].map((identifier) => ({ identifier, device_id: fact.device.deviceId })),
  },
  {
    table: "device_use",
    from: ["DeviceUseStatement"],
    source: "use_id",
    key: ["use_id"],
    patient: "patient_id",
    columns: {
      use_id: "text",
      device_id: "text",
      patient_id: "text",
      started_at: "timestamptz",
      ended_at: "timestamptz",
      on_hold: "boolean",
    },
    rows: (fact) =>
      fact.kind !== "device-use"
        ? []
        : [
            {
              use_id: fact.use.useId,
              device_id: fact.use.deviceId,
              patient_id: fact.use.patientId,
              started_at: instant(fact.use.startMs),
              ended_at: instant(fact.use.endMs),
              on_hold: fact.use.onHold ?? false,
            },
          ],
  },
  {
    table: "therapy_session",
    from: ["Observation"],
    source: "session_id",
    key: ["session_id"],
    patient: "patient_id",
    columns: sessionColumns,
    rows: (fact) => (fact.kind === "session" ? [sessionRow(fact.session)] : []),
  },
  {
    table: "coverage",
    from: ["DocumentReference"],
    source: "upload_id",
    key: ["upload_id", "started_at"],
    patient: "null::text",
    columns: { upload_id: "text", device_id: "text", started_at: "timestamptz", ended_at: "timestamptz" },
    rows: (fact) =>
      fact.kind !== "coverage"
        ? []
        : fact.coverage.map((range) => ({
            upload_id: range.uploadId,
            device_id: range.deviceId,
            started_at: instant(range.startMs),
            ended_at: instant(range.endMs),
          })),
  },
  {
    table: "patient_fact",
    from: ["CarePlan", "DeviceRequest", "Flag", "Encounter", "DeviceUseStatement"],
    source: "source_id",
    key: ["patient_id", "kind", "source_id"],
    patient: "patient_id",
    columns: { patient_id: "text", kind: "text", source_id: "text", fact: "jsonb" },
    rows: patientFactRows,
  },
  {
    table: "finding_task",
    from: ["Task"],
    source: "task_id",
    key: ["task_id"],
    patient: "patient_id",
    columns: {
      task_id: "text",
      patient_id: "text",
      rule: "text",
      subject: "text",
      episode: "integer",
      status: "text",
      severity: "text",
      evidence_digest: "text",
      closed_at: "timestamptz",
      closed_by: "text",
      cleared_since: "boolean",
      open: "boolean",
    },
    rows: (fact) =>
      fact.kind !== "task"
        ? []
        : [
            {
              task_id: fact.task.taskId,
              patient_id: fact.patientId ?? "",
              rule: fact.task.rule,
              subject: fact.task.subject,
              episode: fact.task.episode,
              status: fact.task.status,
              severity: fact.task.severity,
              evidence_digest: fact.task.evidenceDigest,
              closed_at: instant(fact.task.closedMs),
              closed_by: fact.task.closedBy,
              cleared_since: fact.task.clearedSince,
              open: !isClosed(fact.task.status),
            },
          ],
  },
];
