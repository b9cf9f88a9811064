import type { TenantSession } from "./database.ts";
import { type Binder, newBinder } from "./search-conditions.ts";

/** How a caseload may be ordered; the patient id settles ties. */
export const caseloadSorts = {
  name: { column: "p.sort_name", cast: "text", descending: false },
  urgency: { column: "(s.urgent_count * 1000 + s.review_count)", cast: "integer", descending: true },
  "sessions-completed": { column: "s.sessions_completed_ratio", cast: "real", descending: false },
  "days-used": { column: "s.days_used_ratio", cast: "real", descending: false },
  "last-record": { column: "s.covered_until", cast: "timestamptz", descending: false },
  "next-part-due": { column: "s.next_part_due_day", cast: "date", descending: false },
} as const;

/** What to show of the caseload. */
export interface CaseloadQuery {
  readonly sort: keyof typeof caseloadSorts;
  readonly count: number;
  /** Only patients with at least one finding of this severity. */
  readonly severity?: "urgent" | "review" | "information";
  /** Only patients with this finding. */
  readonly rule?: string;
  readonly sessionsCompletedBelow?: number;
  /** Start of the sort name, any case. */
  readonly name?: string;
  readonly after?: { readonly value: string | null; readonly patientId: string };
}

/** One row of the caseload; measures as the last review computed them, null before the first. */
export interface CaseloadRow {
  readonly patientId: string;
  readonly name: string;
  readonly zone: string;
  readonly birthDay: string | null;
  readonly reviewedDay: string | null;
  readonly daysUsed: unknown;
  readonly sessionsCompleted: unknown;
  readonly urgentCount: number;
  readonly reviewCount: number;
  readonly informationCount: number;
  readonly findings: readonly { rule: string; severity: string; sinceDay: string; text: string }[];
  readonly lastSessionMs: number | null;
  readonly coveredUntilMs: number | null;
  readonly nextPartDueDay: string | null;
  readonly nextPartKind: string | null;
  readonly sortValue: string | null;
}

/**
 * One page in one statement, which asks for nothing but what the query names; values that are missing come last. The page is
 * chosen first, from the list's own index where that has its order, and only its people's summaries are read whole. (Where
 * neither order nor conditions ask for summaries, the server leaves the page's join with them out.)
 */
export async function readCaseload(session: TenantSession, query: CaseloadQuery): Promise<CaseloadRow[]> {
  const sort = caseloadSorts[query.sort];
  const { binder, values } = newBinder();
  const where = [`p.tenant_id = ${binder.bind(session.tenantId, "int")}`, "p.active", ...conditions(query, binder)];
  const order = `${sort.descending ? "desc" : "asc"} nulls last`;
  return session.query<CaseloadRow>(
    `with page as materialized (
       select p.tenant_id, p.patient_id, p.sort_name, p.zone, p.birth_day, ${sort.column} as sort_value
       from patient p left join patient_summary s using (tenant_id, patient_id)
       where ${where.join(" and ")} order by ${sort.column} ${order}, p.patient_id
       limit ${binder.bind(query.count, "int")})
     select p.patient_id as "patientId", p.sort_name as name, p.zone, p.birth_day as "birthDay",
       s.reviewed_day as "reviewedDay", s.days_used as "daysUsed", s.sessions_completed as "sessionsCompleted",
       coalesce(s.urgent_count, 0) as "urgentCount", coalesce(s.review_count, 0) as "reviewCount",
       coalesce(s.information_count, 0) as "informationCount", coalesce(s.findings, '[]') as findings,
       s.last_session_at as "lastSessionMs", s.covered_until as "coveredUntilMs",
       s.next_part_due_day as "nextPartDueDay", s.next_part_kind as "nextPartKind", p.sort_value::text as "sortValue"
     from page p left join lateral (select s.* from patient_summary s
       where s.tenant_id = p.tenant_id and s.patient_id = p.patient_id offset 0) as s on true
     order by p.sort_value ${order}, p.patient_id`,
    values,
  );
}

function conditions(query: CaseloadQuery, binder: Binder): string[] {
  const { severity, sessionsCompletedBelow, name, rule, after } = query;
  const sort = caseloadSorts[query.sort];
  const asked: string[] = [];
  if (severity !== undefined) asked.push(`s.${severity}_count > 0`);
  if (sessionsCompletedBelow !== undefined)
    asked.push(`s.sessions_completed_ratio < ${binder.bind(sessionsCompletedBelow, "real")}`);
  if (name !== undefined) asked.push(`starts_with(lower(p.sort_name), lower(${binder.bind(name, "text")}))`);
  if (rule !== undefined) {
    asked.push(`s.findings @> jsonb_build_array(jsonb_build_object('rule', ${binder.bind(rule, "text")}))`);
  }
  if (after === undefined) return asked;
  const id = binder.bind(after.patientId, "text");
  if (after.value === null) return [...asked, `${sort.column} is null and p.patient_id > ${id}`];
  const value = binder.bind(after.value, sort.cast);
  const beyond = `${sort.column} ${sort.descending ? "<" : ">"} ${value}`;
  return [...asked, `(${beyond} or ${sort.column} is null or (${sort.column} = ${value} and p.patient_id > ${id}))`];
}
