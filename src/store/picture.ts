import type { Absence } from "../domain/absence.ts";
import type { Contraindication } from "../domain/contraindication.ts";
import type { CoverageRange, DeviceUse } from "../domain/device.ts";
import { type PatientFacts, type PlanFacts, plansWithProfiles } from "../domain/facts.ts";
import type { Plan, SettingsProfile } from "../domain/prescription.ts";
import type { Session } from "../domain/session.ts";
import type { FindingTask } from "../domain/task.ts";
import { instant, type TenantSession } from "./database.ts";
import { type SessionJson, sessionJson, sessionOfJson } from "./session.ts";

/** The facts of one patient from which a flow makes the domain's Picture. */
export interface PictureFacts {
  readonly patient: PatientFacts;
  readonly plans: readonly PlanFacts[];
  readonly profiles: readonly (SettingsProfile & { readonly interface?: string })[];
  readonly contraindications: readonly Contraindication[];
  readonly absences: readonly Absence[];
  readonly sessions: readonly Session[];
  readonly lastSessionStartMs?: number;
  /** Machines and parts, each with the kind of its device. */
  readonly uses: readonly (DeviceUse & { readonly kind: string; readonly parentId?: string })[];
  readonly coverage: readonly CoverageRange[];
  readonly tasks: readonly FindingTask[];
}

const ms = (column: string) => `(extract(epoch from ${column}) * 1000)::bigint`;

// One statement, so that the picture is of one moment; each line is one look into an index that leads with the patient.
const pictureStatement = `select
  to_jsonb(p) as patient,
  coalesce((select jsonb_agg(jsonb_build_object('kind', f.kind, 'fact', f.fact) order by f.kind, f.source_id)
    from patient_fact f where f.tenant_id = $1 and f.patient_id = $2), '[]') as facts,
  coalesce((select jsonb_agg(${sessionJson} order by s.started_at, s.session_id)
    from therapy_session s where s.tenant_id = $1 and s.patient_id = $2 and s.started_at >= $3), '[]') as sessions,
  (select max(s.started_at) from therapy_session s where s.tenant_id = $1 and s.patient_id = $2 and not s.test) as last_session,
  coalesce((select jsonb_agg(jsonb_build_object('useId', u.use_id, 'deviceId', u.device_id, 'patientId', u.patient_id,
      'startMs', ${ms("u.started_at")}, 'endMs', ${ms("u.ended_at")}, 'onHold', u.on_hold,
      'kind', coalesce(d.kind, 'machine'), 'parentId', d.parent_id) order by u.started_at, u.use_id)
    from device_use u left join device d on d.tenant_id = u.tenant_id and d.device_id = u.device_id
    where u.tenant_id = $1 and u.patient_id = $2), '[]') as uses,
  coalesce((select jsonb_agg(jsonb_build_object('deviceId', c.device_id, 'uploadId', c.upload_id,
      'startMs', ${ms("c.started_at")}, 'endMs', ${ms("c.ended_at")}) order by c.started_at, c.upload_id)
    from coverage c where c.tenant_id = $1
      and c.device_id in (select u.device_id from device_use u where u.tenant_id = $1 and u.patient_id = $2)
      and c.ended_at >= least($3::timestamptz, (select max(l.ended_at) from coverage l where l.tenant_id = $1 and l.device_id = c.device_id))
    ), '[]') as coverage,
  coalesce((select jsonb_agg(jsonb_build_object('taskId', t.task_id, 'rule', t.rule, 'subject', t.subject,
      'episode', t.episode, 'status', t.status, 'severity', t.severity, 'evidenceDigest', t.evidence_digest,
      'closedMs', ${ms("t.closed_at")}, 'closedBy', t.closed_by, 'clearedSince', t.cleared_since) order by t.rule, t.subject, t.episode)
    from finding_task t where t.tenant_id = $1 and t.patient_id = $2), '[]') as tasks
from patient p where p.tenant_id = $1 and p.patient_id = $2`;

interface PictureRow {
  patient: Record<string, unknown>;
  facts: { kind: string; fact: unknown }[];
  sessions: SessionJson[];
  last_session: number | null;
  uses: Record<string, unknown>[];
  coverage: CoverageRange[];
  tasks: Record<string, unknown>[];
}

/** Reads everything one review needs, sessions from `windowStartMs` on; undefined when there is no such patient. */
export async function readPictureFacts(
  session: TenantSession,
  patientId: string,
  windowStartMs: number,
): Promise<PictureFacts | undefined> {
  const rows = await session.query<PictureRow>(pictureStatement, [session.tenantId, patientId, instant(windowStartMs)]);
  const row = rows[0];
  if (row === undefined) return undefined;
  const ofKind = <T>(kind: string) => row.facts.filter((one) => one.kind === kind).map((one) => one.fact as T);
  return {
    patient: patientOf(row.patient),
    plans: ofKind<PlanFacts>("plan"),
    profiles: ofKind<SettingsProfile>("profile"),
    contraindications: ofKind<Contraindication>("contraindication"),
    absences: ofKind<Absence>("absence"),
    sessions: row.sessions.map(sessionOfJson),
    ...(row.last_session === null ? {} : { lastSessionStartMs: row.last_session }),
    uses: row.uses.map(withoutNulls<DeviceUse & { kind: string; parentId?: string }>),
    coverage: row.coverage,
    tasks: row.tasks.map(withoutNulls<FindingTask>),
  };
}

/** Makes reviews of one patient wait for each other until the transaction ends. */
export async function lockPatient(session: TenantSession, patientId: string): Promise<void> {
  await session.query("select pg_advisory_xact_lock($1, hashtext($2))", [session.tenantId, `patient ${patientId}`]);
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
