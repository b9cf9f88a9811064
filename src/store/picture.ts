import type { Absence } from "../domain/absence.ts";
import type { RecordedAlert } from "../domain/alert.ts";
import type { Contraindication } from "../domain/contraindication.ts";
import type { ClockCheck, CoverageRange, MachineUse } from "../domain/device.ts";
import { type PartReport, type PatientFacts, type PlanFacts, plansWithProfiles } from "../domain/facts.ts";
import type { FindingTask } from "../domain/finding-task.ts";
import type { ChestInfection } from "../domain/infection.ts";
import type { Plan, SettingsProfile } from "../domain/prescription.ts";
import type { Screening } from "../domain/screening.ts";
import type { Session } from "../domain/session.ts";
import { instant, type TenantSession } from "./database.ts";
import { type SessionJson, sessionJson, sessionOfJson } from "./session.ts";

/** The use of a machine or of a part, with the kind of its device. */
export interface UseFacts extends MachineUse, PartReport {
  readonly kind: string;
  /** The machine that a part belongs to. */
  readonly parentId?: string;
}

/** The facts of one patient from which a flow makes the domain's Picture. */
export interface PictureFacts {
  readonly patient: PatientFacts;
  readonly plans: readonly PlanFacts[];
  readonly profiles: readonly (SettingsProfile & { readonly interface?: string })[];
  readonly contraindications: readonly Contraindication[];
  readonly absences: readonly Absence[];
  readonly infections: readonly ChestInfection[];
  readonly screenings: readonly Screening[];
  readonly sessions: readonly Session[];
  readonly lastSessionStartMs?: number;
  readonly uses: readonly UseFacts[];
  readonly coverage: readonly CoverageRange[];
  readonly alerts: readonly RecordedAlert[];
  readonly clockChecks: readonly ClockCheck[];
  readonly tasks: readonly FindingTask[];
}

const ms = (column: string) => `(extract(epoch from ${column}) * 1000)::bigint`;

// One statement, so that each picture is of one moment; each line is one look into an index that leads with the patient.
// The people asked for are named twice: by the join alone, PostgreSQL reads every patient to find one (6 ms in place of 1).
const pictureStatement = `select
  to_json(p) as patient,
  coalesce((select json_agg(json_build_object('kind', f.kind, 'fact', f.fact) order by f.kind, f.source_id)
    from patient_fact f where f.tenant_id = $1 and f.patient_id = p.patient_id), '[]') as facts,
  coalesce((select json_agg(${sessionJson} order by s.started_at, s.session_id)
    from therapy_session s where s.tenant_id = $1 and s.patient_id = p.patient_id and s.started_at >= $3
      and s.started_at < asked.until + interval '2 days'), '[]') as sessions,
  (select max(s.started_at) from therapy_session s where s.tenant_id = $1 and s.patient_id = p.patient_id and not s.test
    and s.started_at < asked.until) as last_session,
  coalesce((select json_agg(json_build_object('useId', u.use_id, 'deviceId', u.device_id, 'patientId', u.patient_id,
      'startMs', ${ms("u.started_at")}, 'endMs', ${ms("u.ended_at")}, 'onHold', nullif(u.on_hold, false),
      'soiledDay', u.soiled_day, 'checkedDay', u.checked_day,
      'kind', coalesce(d.kind, 'machine'), 'parentId', d.parent_id, 'serviceDueDay', d.service_due_day,
      'lastSessionStartMs', (select ${ms("s.started_at")} from therapy_session s
        where s.tenant_id = $1 and s.patient_id = p.patient_id and s.device_id = u.device_id and not s.test
          and s.started_at < asked.until
          and (u.ended_at is null or u.ended_at >= asked.until) and coalesce(d.kind, 'machine') = 'machine'
        order by s.started_at desc limit 1)) order by u.started_at, u.use_id)
    from device_use u left join device d on d.tenant_id = u.tenant_id and d.device_id = u.device_id
    where u.tenant_id = $1 and u.patient_id = p.patient_id), '[]') as uses,
  coalesce((select json_agg(json_build_object('deviceId', c.device_id, 'uploadId', c.upload_id,
      'startMs', ${ms("c.started_at")}, 'endMs', ${ms("c.ended_at")}) order by c.started_at, c.upload_id)
    from coverage c where c.tenant_id = $1
      and c.device_id in (select u.device_id from device_use u where u.tenant_id = $1 and u.patient_id = p.patient_id)
      and c.ended_at >= least($4::timestamptz, (select max(l.ended_at) from coverage l where l.tenant_id = $1 and l.device_id = c.device_id))
      and c.started_at < asked.until + interval '2 days'), '[]') as coverage,
  coalesce((select json_agg(json_build_object('observationId', a.observation_id, 'patientId', a.patient_id,
      'deviceId', a.device_id, 'code', a.code, 'atMs', ${ms("a.at")}, 'localDay', a.local_day) order by a.at, a.observation_id)
    from device_alert a where a.tenant_id = $1 and a.patient_id = p.patient_id and a.at >= $3
      and a.at < asked.until), '[]') as alerts,
  coalesce((select json_agg(json_build_object('uploadId', k.upload_id, 'deviceId', k.device_id,
      'readMs', ${ms("k.read_at")}, 'driftMs', k.drift_ms) order by k.read_at, k.upload_id)
    from device_use u
    join lateral (select * from clock_check c where c.tenant_id = $1 and c.device_id = u.device_id
        and c.read_at >= u.started_at and (u.ended_at is null or c.read_at < u.ended_at)
      order by c.read_at desc, c.upload_id desc limit 1) k on true
    where u.tenant_id = $1 and u.patient_id = p.patient_id), '[]') as clock_checks,
  coalesce((select json_agg(json_build_object('taskId', t.task_id, 'rule', t.rule, 'subject', t.subject,
      'episode', t.episode, 'status', t.status, 'severity', t.severity, 'priority', t.priority,
      'servicePriority', t.service_priority, 'dueDay', t.due_day, 'evidenceDigest', t.evidence_digest,
      'closedMs', ${ms("t.closed_at")}, 'closedBy', t.closed_by, 'clearedSince', t.cleared_since) order by t.rule, t.subject, t.episode)
    from finding_task t where t.tenant_id = $1 and t.patient_id = p.patient_id), '[]') as tasks
from unnest($2::text[], $5::timestamptz[]) as asked(patient_id, until)
join patient p on p.tenant_id = $1 and p.patient_id = asked.patient_id and p.patient_id = any($2::text[])`;

interface PictureRow {
  patient: Record<string, unknown>;
  facts: { kind: string; fact: unknown }[];
  sessions: SessionJson[];
  last_session: number | null;
  uses: Record<string, unknown>[];
  coverage: CoverageRange[];
  alerts: RecordedAlert[];
  clock_checks: ClockCheck[];
  tasks: Record<string, unknown>[];
}

/** Where the rows of a picture begin. */
export interface PictureWindow {
  /** Sessions and alerts that started earlier are left out. */
  readonly sessionsFromMs: number;
  /** Coverage that ended earlier is left out, but for the newest of each device. */
  readonly coverageFromMs: number;
}

/** Whose facts to read, and the moment after which sessions and coverage are no longer wanted; all there are where absent. */
export interface AskedPicture {
  readonly patientId: string;
  /** Sessions and coverage that start up to two days later are among the facts: a local day may reach so far. */
  readonly untilMs?: number;
}

/** Reads everything that the reviews of several patients need, in one statement; those that are not here are left out. In no particular order. */
export async function readManyPictureFacts(
  session: TenantSession,
  asked: readonly AskedPicture[],
  window: PictureWindow,
): Promise<PictureFacts[]> {
  const rows = await session.query<PictureRow>(pictureStatement, [
    session.tenantId,
    asked.map(({ patientId }) => patientId),
    instant(window.sessionsFromMs),
    instant(window.coverageFromMs),
    asked.map(({ untilMs }) => instant(untilMs ?? Number.POSITIVE_INFINITY)),
  ]);
  return rows.map(pictureFactsOf);
}

function pictureFactsOf(row: PictureRow): PictureFacts {
  const ofKind = <T>(kind: string) => row.facts.filter((one) => one.kind === kind).map((one) => one.fact as T);
  return {
    patient: patientOf(row.patient),
    plans: ofKind<PlanFacts>("plan"),
    profiles: ofKind<SettingsProfile>("profile"),
    contraindications: ofKind<Contraindication>("contraindication"),
    absences: ofKind<Absence>("absence"),
    infections: ofKind<ChestInfection>("infection"),
    screenings: ofKind<Screening>("screening"),
    sessions: row.sessions.map(sessionOfJson),
    ...(row.last_session === null ? {} : { lastSessionStartMs: row.last_session }),
    uses: row.uses.map(withoutNulls<UseFacts>),
    coverage: row.coverage,
    alerts: row.alerts,
    clockChecks: row.clock_checks,
    tasks: row.tasks.map(withoutNulls<FindingTask>),
  };
}

/** Makes reviews of one patient wait for each other until the transaction ends. */
export async function lockPatient(session: TenantSession, patientId: string): Promise<void> {
  await lockPatients(session, [patientId]);
}

/** The same for several patients in one statement, always in the same order. */
export async function lockPatients(session: TenantSession, patientIds: readonly string[]): Promise<void> {
  await session.query(
    `select pg_advisory_xact_lock($1, key)
     from (select distinct hashtext('patient ' || id) as key from unnest($2::text[]) as id order by key) as sorted`,
    [session.tenantId, patientIds],
  );
}

/** The facts of these patients, for zones at intake. */
export async function readPatients(session: TenantSession, patientIds: readonly string[]): Promise<PatientFacts[]> {
  const rows = await session.query<Record<string, unknown>>(
    "select to_jsonb(p) as patient from patient p where tenant_id = $1 and patient_id = any($2::text[])",
    [session.tenantId, patientIds],
  );
  return rows.map((row) => patientOf(row.patient as Record<string, unknown>));
}

/** Plans of these patients with their profiles, by patient id. */
export async function readPlans(session: TenantSession, patientIds: readonly string[]): Promise<Map<string, Plan[]>> {
  const rows = await session.query<{ kind: string; patient_id: string; fact: PlanFacts & SettingsProfile }>(
    `select kind, patient_id, fact from patient_fact
     where tenant_id = $1 and patient_id = any($2::text[]) and kind in ('plan', 'profile') order by source_id`,
    [session.tenantId, patientIds],
  );
  const profiles = rows.filter((row) => row.kind === "profile").map((row) => row.fact);
  const plans = rows.filter((row) => row.kind === "plan").map((row) => row.fact);
  const byPatient = Map.groupBy(plans, (plan) => plan.patientId);
  return new Map([...byPatient].map(([patientId, theirs]) => [patientId, plansWithProfiles(theirs, profiles)]));
}

function patientOf(row: Record<string, unknown>): PatientFacts {
  return withoutNulls<PatientFacts>({
    patientId: row.patient_id,
    zone: row.zone,
    sortName: row.sort_name,
    active: row.active,
    birthDay: row.birth_day,
    deceasedDay: row.deceased_day,
    replacedBy: row.replaced_by,
    organizationId: row.organization_id,
  });
}

function withoutNulls<T>(row: Record<string, unknown>): T {
  return Object.fromEntries(Object.entries(row).filter(([, value]) => value !== null && value !== undefined)) as T;
}
