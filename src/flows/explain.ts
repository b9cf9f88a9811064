import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { examinationsOf, review, reviewContext } from "../domain/review.ts";
import { ruleTexts } from "../domain/rules/catalogue.ts";
import type { Examination, RuleText } from "../domain/rules/rule.ts";
import { explainTask, type TaskDecision } from "../domain/task-decision.ts";
import type { LocalDay } from "../domain/time.ts";
import { readInTenant } from "../store/database.ts";
import { readTask } from "../store/task.ts";
import { type LookAtPatient, lookAtPatient } from "./look-at-patient.ts";
import { type PictureSummary, pictureSummary } from "./picture-summary.ts";
import type { Service } from "./service.ts";

/** What is to be explained: one rule, about one subject or all that it looks at, now or as it was known. */
export interface ExplainRequest {
  readonly rule: string;
  readonly subject?: string;
  readonly asOf?: string;
}

/** One subject: what the rule asked about it, and what became of its Task. */
export interface ExplainedSubject extends Examination {
  readonly task: Pick<TaskDecision, "decision" | "steps">;
}

/** Why a finding and its Task are there, or are not. */
export interface Explanation {
  readonly patientId: string;
  readonly at: string;
  readonly day: LocalDay;
  readonly thresholdsVersion: string;
  readonly rule: RuleText;
  readonly picture: PictureSummary;
  /** Empty where there is nothing that the rule could look at; `note` then says so. */
  readonly subjects: readonly ExplainedSubject[];
  readonly note?: string;
}

/** Explains one rule for one patient, step by step; it writes nothing. */
export async function explain(
  service: Service,
  tenantId: number,
  patientId: string,
  asked: ExplainRequest,
): Promise<Result<Explanation>> {
  const text = ruleTexts.find((one) => one.code === asked.rule);
  if (text === undefined) return refused(noSuchRule(asked.rule));
  const look = await lookAtPatient(service, tenantId, patientId, asked.asOf);
  return look.ok ? explained(look.value, text, asked.subject) : look;
}

/** Explains the finding behind one Task of a patient, as of now. */
export async function explainOfTask(service: Service, tenantId: number, taskId: string): Promise<Result<Explanation>> {
  const task = await readInTenant(service.database, tenantId, (session) => readTask(session, taskId));
  if (task === undefined) {
    const detail = `There is no Task/${taskId.slice(0, 64)} here that a finding raised. Tasks of other kinds have no rule to explain.`;
    return refused({ kind: "not-found", detail, status: 404 });
  }
  if (task.patientId === "") {
    const detail = `Task/${taskId} is about records that match no patient: its own text and the uploads it names say why.`;
    return refused({ kind: "not-supported", detail, status: 422 });
  }
  return explain(service, tenantId, task.patientId, { rule: task.rule, subject: task.subject });
}

function explained(look: LookAtPatient, rule: RuleText, subject: string | undefined): Result<Explanation> {
  const { picture, active, atMs } = look;
  const { findings } = review(picture);
  const context = reviewContext(picture);
  const examinations = examinationsOf(picture).find((one) => one.rule.code === rule.code)?.examinations ?? [];
  // A Task may be about a subject that is no longer there to be looked at.
  const known = new Set(examinations.map((one) => one.subject));
  const gone = picture.tasks
    .filter((task) => task.rule === rule.code && !known.has(task.subject))
    .map((task): Examination => ({ subject: task.subject, steps: [] }));
  const asked = [...examinations, ...uniqueBySubject(gone)].filter(
    (one) => subject === undefined || one.subject === subject,
  );
  const note = noteOf(look, asked.length, subject);
  return accepted({
    patientId: picture.patientId,
    at: new Date(atMs).toISOString(),
    day: picture.today,
    thresholdsVersion: picture.thresholds.version,
    rule: { code: rule.code, title: rule.title, source: rule.source },
    picture: pictureSummary(picture),
    subjects: asked.map((one) => {
      const { decision, steps } = explainTask(rule.code, one.subject, active ? findings : [], picture.tasks, context);
      return { ...one, task: { decision, steps } };
    }),
    ...(note === undefined ? {} : { note }),
  });
}

function uniqueBySubject(examinations: readonly Examination[]): Examination[] {
  return [...new Map(examinations.map((one) => [one.subject, one])).values()];
}

function noteOf({ picture, active }: LookAtPatient, found: number, subject: string | undefined): string | undefined {
  if (!active) return "The record is no longer used (merged or inactive): nothing is found, and open Tasks are closed.";
  if (picture.deceasedDay !== undefined && picture.deceasedDay <= picture.today) {
    return "The patient has died: nothing is found, and open Tasks are closed.";
  }
  if (found > 0) return undefined;
  return subject === undefined
    ? "There is nothing on record that this rule could look at: no such flag, part, device or plan."
    : `Nothing on record answers to the subject ${subject.slice(0, 100)}.`;
}

function noSuchRule(code: string): Refusal {
  const known = ruleTexts.map((one) => one.code).join(", ");
  const detail = `There is no rule "${code.slice(0, 64)}". The rules are: ${known}.`;
  return { kind: "not-found", detail, at: "rule", status: 404 };
}
