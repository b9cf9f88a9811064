import type { Finding } from "../domain/finding.ts";
import { accepted, type Result } from "../domain/result.ts";
import { type PatientSummary, review } from "../domain/review.ts";
import type { TaskStep } from "../domain/task.ts";
import { lookAtPatient } from "./look-at-patient.ts";
import { type PictureSummary, pictureSummary } from "./picture-summary.ts";
import type { Service } from "./service.ts";

/** What a review finds, and what it would do; nothing of it is written. */
export interface ReviewAnswer {
  readonly patientId: string;
  readonly at: string;
  readonly thresholdsVersion: string;
  readonly picture: PictureSummary;
  readonly findings: readonly Finding[];
  /** What the review would do to the Tasks as they stood. */
  readonly taskSteps: readonly { readonly kind: TaskStep["kind"]; readonly taskId?: string; readonly rule?: string }[];
  readonly summary: PatientSummary;
}

/** Reviews one patient on paper, now or with what was known at `asOf`. */
export async function reviewAsOf(
  service: Service,
  tenantId: number,
  patientId: string,
  asOf?: string,
): Promise<Result<ReviewAnswer>> {
  const look = await lookAtPatient(service, tenantId, patientId, asOf);
  if (!look.ok) return look;
  const { picture, active, atMs } = look.value;
  const { findings, steps, summary } = review(picture);
  return accepted({
    patientId,
    at: new Date(atMs).toISOString(),
    thresholdsVersion: picture.thresholds.version,
    picture: pictureSummary(picture),
    findings: active ? findings : [],
    taskSteps: active ? steps.map(stepInShort) : [],
    summary,
  });
}

function stepInShort(step: TaskStep): ReviewAnswer["taskSteps"][number] {
  return {
    kind: step.kind,
    ...("taskId" in step ? { taskId: step.taskId } : {}),
    ...("finding" in step ? { rule: step.finding.rule } : {}),
  };
}
