import type { TenantSession } from "./database.ts";

/** What all patients together need of one kind of part. */
export interface KindNeed {
  readonly kind: string;
  readonly count: number;
  readonly overdue: number;
  readonly patients: number;
}

/** What one patient needs. */
export interface PatientNeed {
  readonly patientId: string;
  readonly name: string;
  readonly needs: readonly { readonly kind: string; readonly day: string; readonly overdue: boolean }[];
}

/** What is asked about: so many days ahead, of the patients of one organisation or all. */
export interface NeedsQuery {
  readonly days: number;
  readonly organizationId?: string;
}

// Each patient's needs were foreseen at their last review, on a local day of theirs; a need counts by its own day.
const needed = `from patient p join patient_summary s using (tenant_id, patient_id)
  cross join lateral jsonb_to_recordset(s.part_needs) as n(kind text, day date, overdue boolean)
  where p.tenant_id = $1 and p.active and n.day < s.reviewed_day + $2::int
    and ($3::text is null or p.organization_id = $3)`;

/** The needs of all patients by kind, as their last reviews foresaw them. */
export async function readNeedsByKind(session: TenantSession, query: NeedsQuery): Promise<KindNeed[]> {
  return session.query<KindNeed>(
    `select n.kind, count(*)::int as count, (count(*) filter (where n.overdue))::int as overdue,
       count(distinct p.patient_id)::int as patients
     ${needed} group by n.kind order by n.kind`,
    [session.tenantId, query.days, query.organizationId ?? null],
  );
}

/** The same, patient by patient in the order of ids, from after one on. */
export async function readNeedsByPatient(
  session: TenantSession,
  query: NeedsQuery,
  page: { readonly count: number; readonly afterId?: string },
): Promise<PatientNeed[]> {
  return session.query<PatientNeed>(
    `select p.patient_id as "patientId", p.sort_name as name,
       jsonb_agg(jsonb_build_object('kind', n.kind, 'day', n.day, 'overdue', n.overdue) order by n.day, n.kind) as needs
     ${needed} and p.patient_id > $4 group by p.patient_id, p.sort_name order by p.patient_id limit $5`,
    [session.tenantId, query.days, query.organizationId ?? null, page.afterId ?? "", page.count],
  );
}
