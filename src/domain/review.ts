import { daysUsed, type Measure, sessionsCompleted } from "./adherence.ts";
import { dayStates } from "./day-state.ts";
import type { Finding } from "./finding.ts";
import { addDays } from "./local-day.ts";
import { forecastDays, type PartNeed, partNeeds } from "./part-forecast.ts";
import { partStates } from "./part-state.ts";
import type { Picture } from "./picture.ts";
import { caseloadDays } from "./picture-window.ts";
import { planInForce } from "./plan-in-force.ts";
import { coverageOfPatient, timeOfUse } from "./range.ts";
import { catalogue, safetyRules } from "./rules/catalogue.ts";
import { findingsOf } from "./rules/examination.ts";
import type { Examination, Rule, RuleText } from "./rules/rule.ts";
import type { Session } from "./session.ts";
import { type TaskStep, taskSteps } from "./task.ts";
import type { DecisionContext } from "./task-decision.ts";
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
  /** What the next 90 days need for the parts. */
  readonly partNeeds: readonly PartNeed[];
}

/**
 * All findings of one picture on its day, what to do to the Tasks, and the caseload row. The order and repetition of the
 * picture's sessions change nothing. Nothing is found about a patient who has died; what was raised is closed.
 * A rule left out of `rules`, or switched off by the thresholds, finds nothing, and what it raised no longer applies.
 */
export function review(picture: Picture, rules: readonly Rule[] = catalogue): Review {
  const settled = settledOf(picture);
  const { version } = settled.thresholds;
  const found = isDeceased(settled) ? [] : inUse(settled, rules).flatMap((rule) => findingsOf(rule, settled));
  const findings = found.map((finding): Finding => ({ ...finding, thresholdsVersion: version }));
  const steps = taskSteps(findings, settled.tasks, reviewContext(settled, rules));
  return { findings, steps, summary: summaryOf(settled) };
}

/** What the decisions about the Tasks of a picture need to know of it. */
export function reviewContext(picture: Picture, rules: readonly Rule[] = catalogue): DecisionContext {
  const { today, nowMs, thresholds, organizationId, zone } = picture;
  return {
    today,
    nowMs,
    thresholds,
    zone,
    applicable: (rule, subject) => applies(rule, subject, picture, inUse(picture, rules)),
    ...(organizationId === undefined ? {} : { organizationId }),
  };
}

/** What each rule in use asked of a picture, whether it found anything or not; empty for a patient who has died. */
export function examinationsOf(
  picture: Picture,
  rules: readonly Rule[] = catalogue,
): readonly { readonly rule: RuleText; readonly examinations: readonly Examination[] }[] {
  const settled = settledOf(picture);
  if (isDeceased(settled)) return [];
  return inUse(settled, rules).map((rule) => ({ rule, examinations: rule.examine(settled) }));
}

function settledOf(picture: Picture): Picture {
  return { ...picture, sessions: eachOnce(picture.sessions) };
}

/** Rules of safety cannot be switched off. */
function inUse({ thresholds }: Picture, rules: readonly Rule[]): readonly Rule[] {
  if (thresholds.disabledRules.length === 0) return rules;
  return rules.filter((rule) => safetyRules.includes(rule) || !thresholds.disabledRules.includes(rule.code));
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
    partNeeds: partNeeds(picture, forecastDays),
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
