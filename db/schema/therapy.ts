import {
  bigint,
  boolean,
  date,
  doublePrecision,
  index,
  integer,
  jsonb,
  text as longText,
  pgTable,
  primaryKey,
} from "drizzle-orm/pg-core";
import { bytea, id, instant, tenant, text } from "./columns.ts";

export const patient = pgTable(
  "patient",
  {
    tenantId: tenant(),
    patientId: id("patient_id"),
    zone: text("zone").notNull(),
    sortName: text("sort_name").notNull(),
    active: boolean("active").notNull(),
    birthDay: date("birth_day"),
    deceasedDay: date("deceased_day"),
    replacedBy: text("replaced_by"),
    organizationId: text("organization_id"),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.patientId] }),
    // The caseload in the order of names.
    index("patient_name").on(t.tenantId, t.sortName, t.patientId),
  ],
);

export const device = pgTable(
  "device",
  {
    tenantId: tenant(),
    deviceId: id("device_id"),
    kind: text("kind").notNull(),
    parentId: text("parent_id"),
    identifiers: longText("identifiers").array().notNull(),
    active: boolean("active").notNull(),
    serviceDueDay: date("service_due_day"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.deviceId] })],
);

/** One row per identifier of a device: how an upload finds its device, in one index look-up. */
export const deviceIdentifier = pgTable(
  "device_identifier",
  { tenantId: tenant(), identifier: text("identifier").notNull(), deviceId: id("device_id") },
  (t) => [primaryKey({ columns: [t.tenantId, t.identifier, t.deviceId] })],
);

export const deviceUse = pgTable(
  "device_use",
  {
    tenantId: tenant(),
    useId: id("use_id"),
    deviceId: id("device_id"),
    patientId: id("patient_id"),
    startedAt: instant("started_at").notNull(),
    endedAt: instant("ended_at"),
    onHold: boolean("on_hold").notNull(),
    /** Of a part: the day it was reported soiled or damaged, and the last day it was checked. */
    soiledDay: date("soiled_day"),
    checkedDay: date("checked_day"),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.useId] }),
    // "Who had this machine at that time?"
    index("device_use_device").on(t.tenantId, t.deviceId, t.startedAt),
    // "What does this patient have?"
    index("device_use_patient").on(t.tenantId, t.patientId),
  ],
);

export const therapySession = pgTable(
  "therapy_session",
  {
    tenantId: tenant(),
    patientId: id("patient_id"),
    startedAt: instant("started_at").notNull(),
    endedAt: instant("ended_at").notNull(),
    sessionId: id("session_id"),
    deviceId: id("device_id"),
    sequenceNumber: bigint("sequence_number", { mode: "number" }),
    deviceStart: text("device_start").notNull(),
    localDay: date("local_day").notNull(),
    dayPart: text("day_part"),
    readAt: instant("read_at").notNull(),
    recordDigest: bytea("record_digest").notNull(),
    test: boolean("test").notNull(),
    profileSlot: text("profile_slot"),
    triggerMode: text("trigger_mode"),
    stopReason: text("stop_reason"),
    cyclesDelivered: integer("cycles_delivered"),
    cyclesTriggered: integer("cycles_triggered"),
    setInsufflationPressure: doublePrecision("set_insufflation_pressure_cmh2o"),
    setExsufflationPressure: doublePrecision("set_exsufflation_pressure_cmh2o"),
    setInsufflationSeconds: doublePrecision("set_insufflation_seconds"),
    setExsufflationSeconds: doublePrecision("set_exsufflation_seconds"),
    setPauseSeconds: doublePrecision("set_pause_seconds"),
    achievedInsufflationPressure: doublePrecision("achieved_insufflation_pressure_cmh2o").array(),
    achievedExsufflationPressure: doublePrecision("achieved_exsufflation_pressure_cmh2o").array(),
    cyclesShortOfPressure: integer("cycles_short_of_pressure"),
    insufflatedVolume: doublePrecision("insufflated_volume_ml"),
    peakCoughFlow: doublePrecision("peak_cough_flow_l_per_min"),
    leak: doublePrecision("leak_l_per_min"),
    lowestSpo2: doublePrecision("lowest_spo2_percent"),
    meanSpo2: doublePrecision("mean_spo2_percent"),
    pulse: doublePrecision("pulse_per_min"),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.sessionId] }),
    // The window of one patient, and the last session ever.
    index("therapy_session_patient_time").on(t.tenantId, t.patientId, t.startedAt),
  ],
);

/** Times that uploads vouch for. The upload's DocumentReference is the source. */
export const coverage = pgTable(
  "coverage",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    deviceId: id("device_id"),
    startedAt: instant("started_at").notNull(),
    endedAt: instant("ended_at").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.uploadId, t.startedAt] }),
    // "What of this device has been read lately?"
    index("coverage_device").on(t.tenantId, t.deviceId, t.endedAt),
  ],
);

/** Alerts that devices recorded, under the person who had the device then. */
export const deviceAlert = pgTable(
  "device_alert",
  {
    tenantId: tenant(),
    observationId: id("observation_id"),
    patientId: id("patient_id"),
    deviceId: id("device_id"),
    code: text("code").notNull(),
    at: instant("at").notNull(),
    localDay: date("local_day").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.observationId] }),
    // "Which alerts did this patient's devices record lately?"
    index("device_alert_patient").on(t.tenantId, t.patientId, t.at),
  ],
);

/** How far a device's clock was ahead at each reading of its memory. The upload's DocumentReference is the source. */
export const clockCheck = pgTable(
  "clock_check",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    deviceId: id("device_id"),
    readAt: instant("read_at").notNull(),
    driftMs: bigint("drift_ms", { mode: "number" }).notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.uploadId] }),
    // "What did this device's clock show last?"
    index("clock_check_device").on(t.tenantId, t.deviceId, t.readAt),
  ],
);

/** Plans, profiles, contraindications, absences, infections and screenings: few rows a patient, always read together, kept as the domain record. */
export const patientFact = pgTable(
  "patient_fact",
  {
    tenantId: tenant(),
    patientId: id("patient_id"),
    kind: text("kind").notNull(),
    sourceId: id("source_id"),
    fact: jsonb("fact").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.patientId, t.kind, t.sourceId] }),
    // "What did this resource state before?" – also when it named another patient then.
    index("patient_fact_source").on(t.tenantId, t.sourceId),
  ],
);
