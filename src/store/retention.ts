import type { LocalDay } from "../domain/time.ts";
import { instant, type TenantSession } from "./database.ts";

/** Where a walk through the replaced versions has come to. */
export interface VersionPlace {
  readonly type: string;
  readonly id: string;
  readonly version: number;
}

/**
 * Deletes, of the next `count` replaced versions, those that were replaced before a moment: what was in force then stays.
 * Undefined where there are no more versions. It goes through versions that are filed in `months` alone.
 */
export async function deleteOldVersions(
  session: TenantSession,
  options: {
    readonly replacedBeforeMs: number;
    readonly months: { readonly startMs: number; readonly endMs: number };
    readonly after: VersionPlace;
    readonly count: number;
  },
): Promise<{ rows: number; last: VersionPlace } | undefined> {
  const { type, id, version } = options.after;
  const rows = await session.query<VersionPlace & { rows: number }>(
    `with next as materialized (
       select v.type, v.id, v.version, v.replaced_at from resource_version v
       where v.tenant_id = $1 and v.replaced_at >= $7 and v.replaced_at < $8 and (v.type, v.id, v.version) > ($3::text collate "C", $4::text collate "C", $5::int)
       order by v.type, v.id, v.version limit $6
     ), gone as (
       delete from resource_version v using next n
       where v.tenant_id = $1 and v.type = n.type and v.id = n.id and v.version = n.version and v.replaced_at = n.replaced_at
         and (n.replaced_at < $2
           -- Of versions from before that column the next one tells.
           or exists (select from resource_version s where s.tenant_id = $1 and s.type = n.type and s.id = n.id
             and s.version > n.version and s.last_updated < $2)
           or exists (select from resource r where r.tenant_id = $1 and r.type = n.type and r.id = n.id and r.last_updated < $2))
       returning 1)
     select n.type, n.id, n.version, (select count(*)::int from gone) as rows from next n
     order by n.type desc, n.id desc, n.version desc limit 1`,
    [
      session.tenantId,
      instant(options.replacedBeforeMs),
      type,
      id,
      version,
      options.count,
      instant(options.months.startMs),
      instant(options.months.endMs),
    ],
  );
  const [last] = rows;
  return last && { rows: last.rows, last: { type: last.type, id: last.id, version: last.version } };
}

/**
 * ids of people who died before a day, or who are no longer in use here (`Patient.active` false), have no device, and of whom
 * nothing is dated since; where nothing about them has a date, the Patient was not changed since. Sorted. Tasks do not count: the
 * service raises and closes them by itself.
 */
export async function patientsDueForErasure(session: TenantSession, before: LocalDay): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select p.patient_id as id from patient p where p.tenant_id = $1 and (
       p.deceased_day < $2::date
       or (not p.active
         and not exists (select from device_use u where u.tenant_id = $1 and u.patient_id = p.patient_id
           and (u.ended_at is null or u.ended_at >= $2::date))
         and coalesce(
           (select max(coalesce(nullif(r.ended_at, 'infinity'), r.started_at)) from resource r
             where r.tenant_id = $1 and r.patient_id = p.patient_id and not r.deleted and r.type <> 'Task'),
           (select r.last_updated from resource r where r.tenant_id = $1 and r.type = 'Patient' and r.id = p.patient_id)
         ) < $2::date))
     order by 1`,
    [session.tenantId, before],
  );
  return rows.map(({ id }) => id);
}
