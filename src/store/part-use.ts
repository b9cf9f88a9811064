import type { PartUse } from "../domain/part.ts";
import { instant, type TenantSession } from "./database.ts";

/** A part whose use is asked about, from its fitting on. */
export interface PartAsked {
  readonly partId: string;
  /** Absent where it is not recorded: then use of any machine of the patient counts. */
  readonly machineId?: string;
  readonly fittedMs: number;
}

/**
 * How much each part was used by the patient before a moment: qualifying sessions and their hours, since it was fitted.
 * One statement for any number of parts.
 */
export async function readEarlierUse(
  session: TenantSession,
  patientId: string,
  parts: readonly PartAsked[],
  untilMs: number,
  minimumCycles: number,
): Promise<ReadonlyMap<string, PartUse>> {
  if (parts.length === 0) return new Map();
  const rows = await session.query<{ part_id: string; sessions: number; hours: number }>(
    `select p.part_id, count(s.session_id)::int as sessions,
       coalesce(sum(extract(epoch from s.ended_at - s.started_at)) / 3600, 0)::float8 as hours
     from unnest($3::text[], $4::text[], $5::timestamptz[]) as p(part_id, machine_id, fitted_at)
     left join therapy_session s on s.tenant_id = $1 and s.patient_id = $2 and not s.test
       and s.started_at >= p.fitted_at and s.started_at < $6
       and (p.machine_id is null or s.device_id = p.machine_id)
       and (s.cycles_delivered is null or s.cycles_delivered >= $7)
     group by p.part_id`,
    [
      session.tenantId,
      patientId,
      parts.map((part) => part.partId),
      parts.map((part) => part.machineId ?? null),
      parts.map((part) => instant(part.fittedMs)),
      instant(untilMs),
      minimumCycles,
    ],
  );
  return new Map(rows.map(({ part_id, sessions, hours }) => [part_id, { sessions, hours }]));
}
