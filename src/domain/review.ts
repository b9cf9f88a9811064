import { daysUsed, type Measure, sessionsCompleted } from "./adherence.ts";
import { dayStates } from "./day-state.ts";
import type { Finding } from "./finding.ts";
import { addDays } from "./local-day.ts";
import { partStates } from "./part-state.ts";
import type { Picture } from "./picture.ts";
import { caseloadDays } from "./picture-window.ts";
import { planInForce } from "./plan-in-force.ts";
import { coverageOfPatient, timeOfUse } from "./range.ts";
import { catalogue } from "./rules/catalogue.ts";
import { findingsOf } from "./rules/examination.ts";
import type { Rule } from "./rules/rule.ts";
import type { Session } from "./session.ts";
import { type TaskStep, taskSteps } from "./task.ts";
import type { EpochMs, LocalDay } from "./time.ts";

/** What a review of one picture answers. */
export interface Review {
  readonly findings: readonly Finding[];
  readonly steps: readonly TaskStep[];
  readonly summary: PatientSummary;
}

/** One caseload row, in numbers; the measures are over the trailing `caseloadDays` full local days. */
export interface PatientSummary {
  readonly patientId: string;
  readonly reviewedDay: LocalDay;
  readonly daysUsed: Measure;
  readonly sessionsCompleted: Measure;
  readonly lastSessionStartMs?: EpochMs;
  readonly coveredUntilMs?: EpochMs;
  /** Earliest `replaceByDay` of the parts in use, also one that has passed. */
  readonly nextPartDueDay?: LocalDay;
  readonly nextPartKind?: string;
}

/**
 * All findings of one picture on its day, what to do to the Tasks, and the caseload row. The order and repetition of the
 * picture's sessions change nothing. Nothing is found about a patient who has died; what was raised is closed.
 * A rule left out of `rules` is taken as switched off: what it raised no longer applies.
 */
export function review(picture: Picture, rules: readonly Rule[] = catalogue): Review {
  const settled: Picture = { ...picture, sessions: eachOnce(picture.sessions) };
  const findings = isDeceased(settled) ? [] : rules.flatMap((rule) => findingsOf(rule, settled));
  const { today, nowMs, thresholds, tasks } = settled;
  const applicable = (rule: string, subject: string) => applies(rule, subject, settled, rules);
  const steps = taskSteps(findings, tasks, { today, nowMs, thresholds, applicable });
  return { findings, steps, summary: summaryOf(settled) };
}

function summaryOf(picture: Picture): PatientSummary {
  const { today, thresholds, nowMs } = picture;
  const firstDay = addDays(today, -caseloadDays);
  const days = dayStates(picture, firstDay, today);
  const coveredUntilMs = coverageOfPatient(picture.coverage, picture.machineUses)
    .filter((range) => range.startMs < nowMs)
    .at(-1)?.endMs;
  const starts = picture.sessions.filter((session) => session.test !== true).map((session) => session.startMs);
  const lastSessionStartMs = Math.max(
    picture.lastSessionStartMs ?? Number.NEGATIVE_INFINITY,
    starts.at(-1) ?? Number.NEGATIVE_INFINITY,
  );
  const [next] = partStates(picture)
    .flatMap(({ replaceByDay, part }) => (replaceByDay === undefined ? [] : [{ replaceByDay, kind: part.kind }]))
    .sort((a, b) => (a.replaceByDay < b.replaceByDay ? -1 : a.replaceByDay > b.replaceByDay ? 1 : 0));
  return {
    patientId: picture.patientId,
    reviewedDay: today,
    daysUsed: daysUsed(days, firstDay, today, thresholds),
    sessionsCompleted: sessionsCompleted(days, firstDay, today, thresholds),
    ...(Number.isFinite(lastSessionStartMs) && { lastSessionStartMs }),
    ...(coveredUntilMs !== undefined && { coveredUntilMs: Math.min(coveredUntilMs, nowMs) }),
    ...(next !== undefined && { nextPartDueDay: next.replaceByDay, nextPartKind: next.kind }),
  };
}

function applies(rule: string, subject: string, picture: Picture, rules: readonly Rule[]): boolean {
  if (isDeceased(picture) || !rules.some((one) => one.code === rule)) return false;
  if (subject === "therapy") return planInForce(picture.plans, picture.today) !== undefined;
  if (!subject.startsWith("Device/")) return true;
  return picture.machineUses.map(timeOfUse).some((use) => use.startMs <= picture.nowMs && picture.nowMs < use.endMs);
}

function isDeceased({ deceasedDay, today }: Picture): boolean {
  return deceasedDay !== undefined && deceasedDay <= today;
}

function eachOnce(sessions: readonly Session[]): Session[] {
  const byId = new Map(sessions.map((session) => [session.sessionId, session]));
  return [...byId.values()].sort((a, b) => a.startMs - b.startMs || (a.sessionId < b.sessionId ? -1 : 1));
}
