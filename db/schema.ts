/**
 * Every table of the service. drizzle-kit generates the migrations from this file; what it cannot say
 * (lz4, roles, row-level security, functions) stands in hand-written migrations beside them.
 * Every key leads with the tenant; no key crosses tenants.
 */
import { sql } from "drizzle-orm";
import {
  bigint,
  boolean,
  customType,
  date,
  doublePrecision,
  index,
  integer,
  jsonb,
  text as longText,
  pgTable,
  primaryKey,
  real,
  timestamp,
  uniqueIndex,
} from "drizzle-orm/pg-core";

const bytea = customType<{ data: Buffer }>({ dataType: () => "bytea" });
/** Codes and ids compare byte by byte: quicker, and the same on every server whatever its locale. */
const text = customType<{ data: string }>({ dataType: () => 'text collate "C"' });
const id = (name: string) => text(name).notNull();
const body = () => longText("body").notNull();
const tenant = () => integer("tenant_id").notNull();
const instant = (name: string) => timestamp(name, { withTimezone: true });

export const tenants = pgTable("tenant", {
  tenantId: integer("tenant_id").primaryKey().generatedAlwaysAsIdentity(),
  slug: text("slug").notNull().unique(),
});

/** Current version of each resource, with what search asks of it in the same row. */
export const resource = pgTable(
  "resource",
  {
    tenantId: tenant(),
    type: text("type").notNull(),
    id: id("id"),
    version: integer("version").notNull(),
    lastUpdated: instant("last_updated").notNull(),
    deleted: boolean("deleted").notNull().default(false),
    patientId: text("patient_id"),
    startedAt: instant("started_at"),
    endedAt: instant("ended_at"),
    terms: bigint("terms", { mode: "bigint" }).array().notNull(),
    quantityKeys: bigint("quantity_keys", { mode: "bigint" }).array(),
    quantityUnits: bigint("quantity_units", { mode: "bigint" }).array(),
    quantityLows: doublePrecision("quantity_lows").array(),
    quantityHighs: doublePrecision("quantity_highs").array(),
    body: body(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.type, t.id] }),
    // "What does this patient have of this type, newest first?"
    index("resource_patient_time").on(t.tenantId, t.type, t.patientId, t.startedAt).where(sql`patient_id is not null`),
    // "What changed since …?"
    index("resource_changed").on(t.tenantId, t.type, t.lastUpdated, t.id),
    // Every other token, reference and uri question.
    index("resource_terms").using("gin", t.terms),
  ],
);

/** Versions that have been replaced. */
export const resourceVersion = pgTable(
  "resource_version",
  {
    tenantId: tenant(),
    type: text("type").notNull(),
    id: id("id"),
    version: integer("version").notNull(),
    lastUpdated: instant("last_updated").notNull(),
    deleted: boolean("deleted").notNull(),
    body: body(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.type, t.id, t.version] })],
);

export const resourceString = pgTable(
  "resource_string",
  {
    tenantId: tenant(),
    key: bigint("key", { mode: "bigint" }).notNull(),
    folded: text("folded").notNull(),
    exact: text("exact").notNull(),
    type: text("type").notNull(),
    id: id("id"),
  },
  (t) => [
    // "Whose name starts with …?"
    index("resource_string_value").on(t.tenantId, t.key, t.folded),
    index("resource_string_resource").on(t.tenantId, t.type, t.id),
  ],
);

export const resourceDate = pgTable(
  "resource_date",
  {
    tenantId: tenant(),
    key: bigint("key", { mode: "bigint" }).notNull(),
    low: instant("low").notNull(),
    high: instant("high").notNull(),
    type: text("type").notNull(),
    id: id("id"),
  },
  (t) => [
    // "Which were authored, born, due … between?"
    index("resource_date_value").on(t.tenantId, t.key, t.low),
    index("resource_date_resource").on(t.tenantId, t.type, t.id),
  ],
);

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

/** Plans, profiles, contraindications and absences: few rows a patient, always read together, kept as the domain record. */
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

/** Tasks that findings raised. */
export const findingTask = pgTable(
  "finding_task",
  {
    tenantId: tenant(),
    taskId: id("task_id"),
    /** Empty where the finding is about no patient (an unknown device). */
    patientId: id("patient_id"),
    rule: text("rule").notNull(),
    subject: text("subject").notNull(),
    episode: integer("episode").notNull(),
    status: text("status").notNull(),
    severity: text("severity").notNull(),
    evidenceDigest: text("evidence_digest").notNull(),
    closedAt: instant("closed_at"),
    closedBy: text("closed_by"),
    clearedSince: boolean("cleared_since").notNull(),
    open: boolean("open").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.taskId] }),
    // One open Task per rule and subject, whatever two workers do at once.
    uniqueIndex("finding_task_one_open").on(t.tenantId, t.patientId, t.rule, t.subject).where(sql`open`),
    index("finding_task_patient").on(t.tenantId, t.patientId, t.rule, t.subject),
  ],
);

/** One row per patient, written by each review: the caseload is read from here in one statement. */
export const patientSummary = pgTable(
  "patient_summary",
  {
    tenantId: tenant(),
    patientId: id("patient_id"),
    reviewedDay: date("reviewed_day").notNull(),
    reviewedAt: instant("reviewed_at").notNull(),
    daysUsedRatio: real("days_used_ratio"),
    sessionsCompletedRatio: real("sessions_completed_ratio"),
    daysUsed: jsonb("days_used").notNull(),
    sessionsCompleted: jsonb("sessions_completed").notNull(),
    urgentCount: integer("urgent_count").notNull(),
    reviewCount: integer("review_count").notNull(),
    informationCount: integer("information_count").notNull(),
    findings: jsonb("findings").notNull(),
    lastSessionAt: instant("last_session_at"),
    coveredUntil: instant("covered_until"),
    nextPartDueDay: date("next_part_due_day"),
    nextPartKind: text("next_part_kind"),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.patientId] }),
    // "Whose review is of an earlier day?"
    index("patient_summary_reviewed").on(t.tenantId, t.reviewedDay),
  ],
);

/** Everything that arrived, byte for byte, whatever became of it. */
export const receivedUpload = pgTable(
  "received_upload",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    receivedAt: instant("received_at").notNull(),
    lastTriedAt: instant("last_tried_at").notNull(),
    attempts: integer("attempts").notNull(),
    contentType: text("content_type").notNull(),
    contentEncoding: text("content_encoding").notNull(),
    sha256: bytea("sha256").notNull(),
    bytes: bytea("bytes").notNull(),
    status: text("status").notNull(),
    /** Why the whole upload was refused, as far as it can be mended and replayed. */
    reason: text("reason"),
    deviceIdentifier: text("device_identifier"),
    deviceId: text("device_id"),
    report: jsonb("report").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.uploadId] }),
    // The list of what was refused, newest first; and what waits for one device.
    index("received_upload_status").on(t.tenantId, t.status, t.receivedAt),
    index("received_upload_device").on(t.tenantId, t.deviceIdentifier, t.reason),
  ],
);

/** One row per record of an upload that was refused; gone again when a replay accepts it. */
export const refusedRecord = pgTable(
  "refused_record",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    position: integer("position").notNull(),
    kind: text("kind").notNull(),
    refusals: jsonb("refusals").notNull(),
    received: jsonb("received").notNull(),
    /** The stored session it contradicts, where it does. */
    sessionId: text("session_id"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.uploadId, t.position] })],
);
