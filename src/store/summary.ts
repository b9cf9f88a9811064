import type { Finding } from "../domain/finding.ts";
import type { PatientSummary } from "../domain/review.ts";
import { instant, type TenantSession } from "./database.ts";

/** What a review leaves of one patient for the caseload. */
export interface Reviewed {
  readonly summary: PatientSummary;
  readonly findings: readonly Finding[];
}

const columns = {
  patient_id: "text",
  reviewed_day: "date",
  days_used_ratio: "real",
  sessions_completed_ratio: "real",
  days_used: "jsonb",
  sessions_completed: "jsonb",
  urgent_count: "integer",
  review_count: "integer",
  information_count: "integer",
  findings: "jsonb",
  last_session_at: "timestamptz",
  covered_until: "timestamptz",
  next_part_due_day: "date",
  next_part_kind: "text",
  part_needs: "jsonb",
};

const names = Object.keys(columns);

const saveStatement = `insert into patient_summary (tenant_id, reviewed_at, ${names.join(", ")})
  select $1, $2, ${names.join(", ")}
  from jsonb_to_recordset($3::jsonb) as s(${Object.entries(columns)
    .map(([name, type]) => `${name} ${type}`)
    .join(", ")})
  on conflict (tenant_id, patient_id) do update set ${["reviewed_at", ...names.slice(1)]
    .map((name) => `${name} = excluded.${name}`)
    .join(", ")}`;

/** Writes the caseload rows of these patients in one statement, as their reviews found them. */
export function saveSummaries(session: TenantSession, reviewed: readonly Reviewed[], nowMs: number): void {
  if (reviewed.length === 0) return;
  session.send(saveStatement, [session.tenantId, instant(nowMs), JSON.stringify(reviewed.map(rowOf))]);
}

function rowOf({ summary, findings }: Reviewed): Readonly<Record<keyof typeof columns, unknown>> {
  const count = (severity: string) => findings.filter((finding) => finding.severity === severity).length;
  return {
    patient_id: summary.patientId,
    reviewed_day: summary.reviewedDay,
    days_used_ratio: summary.daysUsed.ratio,
    sessions_completed_ratio: summary.sessionsCompleted.ratio,
    days_used: summary.daysUsed,
    sessions_completed: summary.sessionsCompleted,
    urgent_count: count("urgent"),
    review_count: count("review"),
    information_count: count("information"),
    findings,
    last_session_at: instant(summary.lastSessionStartMs),
    covered_until: instant(summary.coveredUntilMs),
    next_part_due_day: summary.nextPartDueDay,
    next_part_kind: summary.nextPartKind,
    part_needs: summary.partNeeds,
  };
}

/**
 * Queues the review of every patient whose last one was on an earlier local day of theirs, or who has none: so many patients a
 * job, behind the reviews that follow from writes. While jobs of an earlier call still wait, none are queued. Answers how many
 * jobs there are.
 */
export async function queueDueReviews(session: TenantSession, nowMs: number, patientsAJob: number): Promise<number> {
  const rows = await session.query<{ jobs: number }>(
    `select queue_review_batches(array(
       select p.patient_id from patient p left join patient_summary s using (tenant_id, patient_id)
       where p.tenant_id = $1 and p.active
         and (s.reviewed_day is null or s.reviewed_day < ($2::timestamptz at time zone p.zone)::date)
       order by p.patient_id), $3) as jobs`,
    [session.tenantId, instant(nowMs), patientsAJob],
  );
  return rows[0]?.jobs ?? 0;
}
