import type { EarlierUse } from "../domain/part.ts";
import type { LocalDay } from "../domain/time.ts";
import { instant, type TenantSession } from "./database.ts";

/** A part whose use is asked about, from the local day of its fitting on. */
export interface PartAsked {
  readonly partId: string;
  /** Absent where it is not recorded: then use of any machine of the patient counts. */
  readonly machineId?: string;
  readonly fittedDay: LocalDay;
  readonly replaceAfterSessions?: number;
  readonly replaceAfterHours?: number;
}

/** A part as a patient of several has it, and from how many cycles on a session of theirs counts. */
export interface PartAskedOf extends PartAsked {
  readonly patientId: string;
  readonly minimumCycles: number;
}

/**
 * How much each part was used by the patient before a moment: qualifying sessions and their hours, since the day it was
 * fitted, and the local day on which either limit was reached. One statement for any number of parts.
 */
export async function readEarlierUse(
  session: TenantSession,
  patientId: string,
  parts: readonly PartAsked[],
  untilMs: number,
  minimumCycles: number,
): Promise<ReadonlyMap<string, EarlierUse>> {
  const asked = parts.map((part) => ({ ...part, patientId, minimumCycles }));
  return (await readManyEarlierUses(session, asked, untilMs)).get(patientId) ?? new Map();
}

/** The same for parts of several patients, by patient and part, in one statement. */
export async function readManyEarlierUses(
  session: TenantSession,
  parts: readonly PartAskedOf[],
  untilMs: number,
): Promise<ReadonlyMap<string, ReadonlyMap<string, EarlierUse>>> {
  const found = new Map<string, Map<string, EarlierUse>>();
  if (parts.length === 0) return found;
  const rows = await session.query<{
    patient_id: string;
    part_id: string;
    sessions: number;
    hours: number;
    reached_day: string | null;
  }>(
    `select patient_id, part_id, max(sessions)::int as sessions, max(hours)::float8 as hours,
       min(local_day) filter (where sessions >= session_limit or hours >= hour_limit - 1e-9)::text as reached_day
     from (
       select p.patient_id, p.part_id, p.session_limit, p.hour_limit, s.local_day, row_number() over counted as sessions,
         sum(extract(epoch from s.ended_at - s.started_at)) over counted / 3600 as hours
       from unnest($2::text[], $3::text[], $4::text[], $5::date[], $6::int[], $8::int[], $9::float8[])
         as p(patient_id, part_id, machine_id, fitted_day, minimum_cycles, session_limit, hour_limit)
       join therapy_session s on s.tenant_id = $1 and s.patient_id = p.patient_id and not s.test
         and s.local_day >= p.fitted_day and s.started_at < $7
         and (p.machine_id is null or s.device_id = p.machine_id)
         and (s.cycles_delivered is null or s.cycles_delivered >= p.minimum_cycles)
       window counted as (
         partition by p.patient_id, p.part_id order by s.local_day, s.started_at, s.session_id rows unbounded preceding)
     ) as used
     group by patient_id, part_id`,
    [
      session.tenantId,
      parts.map((part) => part.patientId),
      parts.map((part) => part.partId),
      parts.map((part) => part.machineId ?? null),
      parts.map((part) => part.fittedDay),
      parts.map((part) => part.minimumCycles),
      instant(untilMs),
      parts.map((part) => part.replaceAfterSessions ?? null),
      parts.map((part) => part.replaceAfterHours ?? null),
    ],
  );
  for (const { patient_id, part_id, sessions, hours, reached_day } of rows) {
    const ofPatient = found.get(patient_id) ?? new Map<string, EarlierUse>();
    found.set(patient_id, ofPatient);
    ofPatient.set(part_id, { sessions, hours, ...(reached_day === null ? {} : { reachedDay: reached_day }) });
  }
  return found;
}
