import { instant, type TenantSession } from "./database.ts";

/** One resource as it stood at a moment of the past. */
export interface PastResource {
  readonly type: string;
  readonly id: string;
  readonly body: string;
}

/** What to look back at: from where sessions and alerts on, and at which moment. */
interface PastWindow {
  readonly asOfMs: number;
  readonly sessionsFromMs: number;
}

/** Types of a patient's own resources that state facts. */
const patientTypes = [
  "CarePlan",
  "Condition",
  "DeviceRequest",
  "DeviceUseStatement",
  "Encounter",
  "Flag",
  "Observation",
  "Patient",
  "QuestionnaireResponse",
];

// The version that was current at the moment, of resources found by their present rows. Of those replaced since, months
// before the moment hold none.
const versionsThen = (present: string, asOf: string) => `select p.type, p.id, past.body
  from (${present}) p
  cross join lateral (
    select v.deleted, v.body from (
      select r.version, r.deleted, r.body from resource r
      where r.tenant_id = $1 and r.type = p.type and r.id = p.id and r.last_updated <= ${asOf}
      union all
      select v.version, v.deleted, v.body from resource_version v
      where v.tenant_id = $1 and v.type = p.type and v.id = p.id and v.last_updated <= ${asOf} and v.replaced_at > ${asOf}
    ) v order by v.version desc limit 1
  ) as past
  where not past.deleted
  order by p.type, p.id`;

/**
 * What was on record about a patient at a moment, read from the versions that were current then: their own resources,
 * sessions and alerts that started in the window, and the Tasks of their findings. Resources deleted since are among them; one that
 * has since been given to another patient is not.
 */
export async function readPastRecord(
  session: TenantSession,
  patientId: string,
  window: PastWindow,
): Promise<PastResource[]> {
  const present = `select r.type, r.id from resource r
      where r.tenant_id = $1 and r.patient_id = $2 and r.type = any($3::text[])
        and (r.type <> 'Observation' or r.started_at >= $5)
      union
      select 'Task', t.task_id from finding_task t where t.tenant_id = $1 and t.patient_id = $2`;
  return session.query<PastResource>(versionsThen(present, "$4::timestamptz"), [
    session.tenantId,
    patientId,
    patientTypes,
    instant(window.asOfMs),
    instant(window.sessionsFromMs),
  ]);
}

/** The devices of these ids as they stood at a moment, and every upload of them that was on record then. */
export async function readPastDevices(
  session: TenantSession,
  deviceIds: readonly string[],
  asOfMs: number,
): Promise<PastResource[]> {
  if (deviceIds.length === 0) return [];
  const present = `select 'Device' as type, d.id from unnest($2::text[]) as d(id)
      union
      select 'DocumentReference', c.upload_id from coverage c where c.tenant_id = $1 and c.device_id = any($2::text[])
      union
      select 'DocumentReference', k.upload_id from clock_check k where k.tenant_id = $1 and k.device_id = any($2::text[])`;
  return session.query<PastResource>(versionsThen(present, "$3::timestamptz"), [
    session.tenantId,
    deviceIds,
    instant(asOfMs),
  ]);
}

/** The start of the last session that was on record at a moment, of the patient and of each device; tests left out. */
export async function readPastSessionStarts(
  session: TenantSession,
  patientId: string,
  deviceIds: readonly string[],
  asOfMs: number,
): Promise<ReadonlyMap<string | undefined, number>> {
  const rows = await session.query<{ device_id: string | null; started_at: number }>(
    `select d.device_id, s.started_at
     from (select null as device_id union all select unnest($3::text[])) d
     cross join lateral (
       select s.started_at from therapy_session s
       where s.tenant_id = $1 and s.patient_id = $2 and not s.test and (d.device_id is null or s.device_id = d.device_id)
         and (exists (select 1 from resource r where r.tenant_id = $1 and r.type = 'Observation' and r.id = s.session_id
                and r.last_updated <= $4)
           or exists (select 1 from resource_version v where v.tenant_id = $1 and v.type = 'Observation'
                and v.id = s.session_id and v.last_updated <= $4 and v.replaced_at > $4))
       order by s.started_at desc limit 1
     ) s`,
    [session.tenantId, patientId, deviceIds, instant(asOfMs)],
  );
  return new Map(rows.map((row) => [row.device_id ?? undefined, row.started_at]));
}
