import type { FirstUse } from "../domain/population/person-period.ts";
import type { OrganizationPlace } from "../domain/population/place.ts";
import type { LocalDay } from "../domain/time.ts";
import { instant, type TenantSession } from "./database.ts";

/** A person whose record is in use. */
export interface ListedPerson {
  readonly patientId: string;
  readonly zone: string;
}

/** How many people's records are in use: neither merged into another nor set inactive. */
export async function countPeople(session: TenantSession): Promise<number> {
  const rows = await session.query<{ people: number }>(
    "select count(*)::int as people from patient where tenant_id = $1 and active",
    [session.tenantId],
  );
  return rows[0]?.people ?? 0;
}

/** The next so many of these people after an id, by id; from the first where none is given. Empty after the last. */
export async function listPeople(
  session: TenantSession,
  count: number,
  afterId: string | undefined,
): Promise<ListedPerson[]> {
  return session.query<ListedPerson>(
    `select patient_id as "patientId", zone from patient
     where tenant_id = $1 and active and patient_id > $2 order by patient_id limit $3`,
    [session.tenantId, afterId ?? "", count],
  );
}

/** Every organisation, with what it is part of. */
export async function readOrganizationPlaces(session: TenantSession): Promise<OrganizationPlace[]> {
  const rows = await session.query<{ id: string; name: string | null; part_of: string | null }>(
    `select id, body::jsonb ->> 'name' as name,
       substring(body::jsonb #>> '{partOf,reference}' from '^Organization/([A-Za-z0-9.-]{1,64})$') as part_of
     from resource where tenant_id = $1 and type = 'Organization' and not deleted order by id`,
    [session.tenantId],
  );
  return rows.map(({ id, name, part_of }) => ({
    id,
    ...(name === null ? {} : { name }),
    ...(part_of === null ? {} : { partOfId: part_of }),
  }));
}

/** Organisations that manage anybody whose record is in use. */
export async function organizationsWithPeople(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select distinct organization_id as id from patient
     where tenant_id = $1 and active and organization_id is not null`,
    [session.tenantId],
  );
  return rows.map((row) => row.id);
}

/**
 * The machines of these people whose first qualifying session since they were issued lies on one of the days
 * `[firstDay, endDay)`, by patient, in one statement. What qualifies is as `qualifies` of the domain says.
 */
export async function readFirstUses(
  session: TenantSession,
  people: readonly { readonly patientId: string; readonly minimumCycles: number }[],
  firstDay: LocalDay,
  endDay: LocalDay,
): Promise<ReadonlyMap<string, readonly FirstUse[]>> {
  const rows = await session.query<{ patient_id: string; issued_at: number; used_day: string }>(
    `select u.patient_id, u.started_at as issued_at, first.local_day as used_day
     from unnest($2::text[], $3::int[]) as p(patient_id, minimum_cycles)
     join device_use u on u.tenant_id = $1 and u.patient_id = p.patient_id
     left join device d on d.tenant_id = $1 and d.device_id = u.device_id
     cross join lateral (
       select s.local_day from therapy_session s
       where s.tenant_id = $1 and s.patient_id = u.patient_id and s.device_id = u.device_id and not s.test
         and s.started_at >= u.started_at and (u.ended_at is null or s.started_at < u.ended_at)
         and (s.cycles_delivered is null or s.cycles_delivered >= p.minimum_cycles)
       order by s.started_at limit 1
     ) first
     where coalesce(d.kind, 'machine') = 'machine' and u.started_at < $5::date + interval '2 days'
       and first.local_day >= $4::date and first.local_day < $5::date`,
    [
      session.tenantId,
      people.map(({ patientId }) => patientId),
      people.map(({ minimumCycles }) => minimumCycles),
      firstDay,
      endDay,
    ],
  );
  const byPatient = Map.groupBy(rows, (row) => row.patient_id);
  return new Map(
    [...byPatient].map(([patientId, theirs]) => [
      patientId,
      theirs.map(({ issued_at, used_day }) => ({ issuedMs: issued_at, usedDay: used_day })),
    ]),
  );
}

/** One version of the Task of a finding. */
export interface TaskVersion {
  readonly patientId: string;
  readonly taskId: string;
  readonly updatedMs: number;
  readonly body: string;
}

/**
 * The versions of these people's Tasks by which a status, or the reason for it, came up first, oldest first, in one
 * statement; of Tasks that have changed since a moment. Evidence may refresh a Task every day, and those versions tell
 * nothing about deeds.
 */
export async function readTaskVersions(
  session: TenantSession,
  patientIds: readonly string[],
  changedFromMs: number,
): Promise<TaskVersion[]> {
  return session.query<TaskVersion>(
    `select patient_id as "patientId", task_id as "taskId", last_updated as "updatedMs", body from (
       select distinct on (t.task_id, read.status, read.reason) t.patient_id, t.task_id, v.version, v.last_updated, v.body
       from finding_task t
       join resource r on r.tenant_id = $1 and r.type = 'Task' and r.id = t.task_id and r.last_updated >= $3
       cross join lateral (
         select r.version, r.last_updated, r.deleted, r.body
         union all
         select v.version, v.last_updated, v.deleted, v.body from resource_version v
         where v.tenant_id = $1 and v.type = 'Task' and v.id = t.task_id
       ) v
       cross join lateral (
         select body ->> 'status' as status, body -> 'statusReason' as reason from (select case when not v.deleted then v.body::jsonb end as body) as b
       ) read
       where t.tenant_id = $1 and t.patient_id = any($2::text[]) and not v.deleted
       order by t.task_id, read.status, read.reason, v.version
     ) first
     order by patient_id, task_id, version`,
    [session.tenantId, patientIds, instant(changedFromMs)],
  );
}
