import type { Finding } from "../domain/finding.ts";
import type { PatientSummary } from "../domain/review.ts";
import { instant, type TenantSession } from "./database.ts";

/** Writes the caseload row of one patient, as this review found it. */
export async function saveSummary(
  session: TenantSession,
  summary: PatientSummary,
  findings: readonly Finding[],
  nowMs: number,
): Promise<void> {
  const count = (severity: string) => findings.filter((finding) => finding.severity === severity).length;
  await session.query(
    `insert into patient_summary (tenant_id, patient_id, reviewed_day, reviewed_at, days_used_ratio, sessions_completed_ratio,
       days_used, sessions_completed, urgent_count, review_count, information_count, findings, last_session_at, covered_until,
       next_part_due_day, next_part_kind, part_needs)
     values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)
     on conflict (tenant_id, patient_id) do update set reviewed_day = excluded.reviewed_day, reviewed_at = excluded.reviewed_at,
       days_used_ratio = excluded.days_used_ratio, sessions_completed_ratio = excluded.sessions_completed_ratio,
       days_used = excluded.days_used, sessions_completed = excluded.sessions_completed, urgent_count = excluded.urgent_count,
       review_count = excluded.review_count, information_count = excluded.information_count, findings = excluded.findings,
       last_session_at = excluded.last_session_at, covered_until = excluded.covered_until,
       next_part_due_day = excluded.next_part_due_day, next_part_kind = excluded.next_part_kind,
       part_needs = excluded.part_needs`,
    [
      session.tenantId,
      summary.patientId,
      summary.reviewedDay,
      instant(nowMs),
      summary.daysUsed.ratio ?? null,
      summary.sessionsCompleted.ratio ?? null,
      JSON.stringify(summary.daysUsed),
      JSON.stringify(summary.sessionsCompleted),
      count("urgent"),
      count("review"),
      count("information"),
      JSON.stringify(findings),
      instant(summary.lastSessionStartMs),
      instant(summary.coveredUntilMs),
      summary.nextPartDueDay ?? null,
      summary.nextPartKind ?? null,
      JSON.stringify(summary.partNeeds),
    ],
  );
}

/** Patients whose last review was on an earlier local day of theirs, or who have none; at most `limit`. */
export async function patientsDueForReview(session: TenantSession, nowMs: number, limit: number): Promise<string[]> {
  const rows = await session.query<{ patient_id: string }>(
    `select p.patient_id from patient p left join patient_summary s using (tenant_id, patient_id)
     where p.tenant_id = $1 and p.active
       and (s.reviewed_day is null or s.reviewed_day < ($2::timestamptz at time zone p.zone)::date)
     order by p.patient_id limit $3`,
    [session.tenantId, instant(nowMs), limit],
  );
  return rows.map((row) => row.patient_id);
}
