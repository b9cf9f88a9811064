import type { Fact } from "../domain/facts.ts";
import { isClosed } from "../domain/finding-task.ts";
import { consentTable } from "./consent-table.ts";
import { instant } from "./database.ts";
import type { FactTable } from "./fact-table.ts";
import { sessionColumns, sessionRow } from "./session-row.ts";

/** Plans, profiles, contraindications, absences, infections and screenings as rows of `patient_fact`. */
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
    case "infection":
      return row(fact.patientId, "infection", fact.infection.conditionId, fact.infection);
    case "screening":
      return row(fact.patientId, "screening", fact.screening.responseId, fact.screening);
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
      soiled_day: "date",
      checked_day: "date",
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
              soiled_day: fact.use.soiledDay,
              checked_day: fact.use.checkedDay,
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
    table: "device_alert",
    from: ["Observation"],
    source: "observation_id",
    key: ["observation_id"],
    patient: "patient_id",
    columns: {
      observation_id: "text",
      patient_id: "text",
      device_id: "text",
      code: "text",
      at: "timestamptz",
      local_day: "date",
    },
    rows: (fact) =>
      fact.kind !== "alert"
        ? []
        : [
            {
              observation_id: fact.alert.observationId,
              patient_id: fact.alert.patientId,
              device_id: fact.alert.deviceId,
              code: fact.alert.code,
              at: instant(fact.alert.atMs),
              local_day: fact.alert.localDay,
            },
          ],
  },
  {
    table: "clock_check",
    from: ["DocumentReference"],
    source: "upload_id",
    key: ["upload_id"],
    patient: "null::text",
    columns: { upload_id: "text", device_id: "text", read_at: "timestamptz", drift_ms: "bigint" },
    rows: (fact) =>
      fact.kind !== "clock-check"
        ? []
        : [
            {
              upload_id: fact.check.uploadId,
              device_id: fact.check.deviceId,
              read_at: instant(fact.check.readMs),
              drift_ms: Math.round(fact.check.driftMs),
            },
          ],
  },
  {
    table: "patient_fact",
    from: [
      "CarePlan",
      "DeviceRequest",
      "Flag",
      "Encounter",
      "DeviceUseStatement",
      "Condition",
      "QuestionnaireResponse",
    ],
    source: "source_id",
    key: ["patient_id", "kind", "source_id"],
    patient: "patient_id",
    columns: { patient_id: "text", kind: "text", source_id: "text", fact: "jsonb" },
    rows: patientFactRows,
  },
  consentTable,
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
      priority: "text",
      service_priority: "text",
      due_day: "date",
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
              priority: fact.task.priority,
              service_priority: fact.task.servicePriority,
              due_day: fact.task.dueDay,
              evidence_digest: fact.task.evidenceDigest,
              closed_at: instant(fact.task.closedMs),
              closed_by: fact.task.closedBy,
              cleared_since: fact.task.clearedSince,
              open: !isClosed(fact.task.status),
            },
          ],
  },
];
