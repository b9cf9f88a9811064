import type { Measure } from "./adherence.ts";
import type { Finding } from "./finding.ts";
import type { TaskStep } from "./task.ts";
import type { EpochMs, LocalDay } from "./time.ts";

/** What a review of one picture answers. */
export interface Review {
  readonly findings: readonly Finding[];
  readonly steps: readonly TaskStep[];
  readonly summary: PatientSummary;
}

/** One caseload row, in numbers. */
export interface PatientSummary {
  readonly patientId: string;
  readonly reviewedDay: LocalDay;
  readonly daysUsed: Measure;
  readonly sessionsCompleted: Measure;
  readonly lastSessionStartMs?: EpochMs;
  readonly coveredUntilMs?: EpochMs;
  readonly nextPartDueDay?: LocalDay;
  readonly nextPartKind?: string;
}
