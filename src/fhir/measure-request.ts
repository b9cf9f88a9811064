import { addDays, isLocalDay } from "../domain/local-day.ts";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { LocalDay } from "../domain/time.ts";
import { dayRangeOf } from "./day-range.ts";
import { measureTexts, measureUrl } from "./measure.ts";
import { type OperationInput, type ParameterRules, readParameters } from "./parameters.ts";
import { withoutVersion } from "./terminology/canonical.ts";

/** What a client asks of `$evaluate-measure`: half-open local days of one patient. */
export interface MeasureRequest {
  readonly measure: string;
  readonly patientId: string;
  readonly firstDay: LocalDay;
  readonly endDay: LocalDay;
}

/** What `$evaluate-measure` takes (https://hl7.org/fhir/R4/measure-operation-evaluate-measure.html). */
const rules = {
  periodStart: { type: "dateTime", required: true },
  periodEnd: { type: "dateTime", required: true },
  measure: { type: "string" },
  reportType: { type: "code" },
  subject: { type: "string" },
  practitioner: { type: "string" },
  lastReceivedOn: { type: "dateTime" },
} as const satisfies ParameterRules;

/** What is asked of a report about everybody: a measure, and half-open local days that must be a period of the grid. */
export type SummaryRequest = Omit<MeasureRequest, "patientId">;

const subjectShape = /^(?:Patient\/)?([A-Za-z0-9\-.]{1,64})$/;

/** The most days of one report. */
const mostDays = 1_100;

/**
 * Which kind of report is asked for. R4's operation calls the one about everybody `population`, its MeasureReport `summary`:
 * both are taken. Undefined where neither kind nor subject is named, which R4 would have be about everybody.
 */
export function reportKind(input: OperationInput): "subject" | "summary" | undefined {
  const reportType = sentAs(input, "reportType");
  if (reportType === undefined) return sentAs(input, "subject") === undefined ? undefined : "subject";
  return reportType === "summary" || reportType === "population" ? "summary" : "subject";
}

/** What came under this name; whether it may is settled by whoever reads all of them. */
function sentAs({ query, body }: OperationInput, name: string): unknown {
  const [, inQuery] = query.find(([one]) => one === name) ?? [];
  const { parameter } = (body?.value ?? {}) as { parameter?: unknown };
  const inBody = Array.isArray(parameter) ? parameter.find((one: { name?: unknown } | null) => one?.name === name) : {};
  const { valueCode, valueString, valueReference } = (inBody ?? {}) as Record<string, unknown>;
  return inQuery ?? valueCode ?? valueString ?? valueReference;
}

/** Reads what is asked of a report about everybody; `Measure/[id]` as in `readMeasureRequest`. */
export function readSummaryRequest(input: OperationInput, measureId?: string): Result<SummaryRequest> {
  const read = readParameters(rules, input);
  if (!read.ok) return read;
  const asked = read.value;
  const measure = measureOf(measureId, asked.measure);
  const period = periodOf(asked.periodStart, asked.periodEnd);
  const refusals = [
    ...(measure.ok ? [] : measure.refusals),
    ...unsupported(asked),
    ...(asked.subject === undefined
      ? []
      : [refusal("not-supported", "A summary is about everybody: leave subject out.", "subject")]),
    ...(period.ok ? [] : period.refusals),
  ];
  if (refusals.length > 0 || !measure.ok || !period.ok) return refused(...refusals);
  return accepted({ measure: measure.value, ...period.value });
}

/**
 * Reads what is asked of `Measure/$evaluate-measure`, or of `Measure/[id]/$evaluate-measure` with the id of the address.
 * The period reaches from the start of `periodStart` to the end of `periodEnd`, both dates of any precision.
 */
export function readMeasureRequest(input: OperationInput, measureId?: string): Result<MeasureRequest> {
  const read = readParameters(rules, input);
  if (!read.ok) return read;
  const asked = read.value;
  const measure = measureOf(measureId, asked.measure);
  const patientId = subjectShape.exec(asked.subject ?? "")?.[1];
  const { periodStart, periodEnd, reportType } = asked;
  const refusals = [
    ...(measure.ok ? [] : measure.refusals),
    ...unsupported(asked),
    ...(patientId === undefined
      ? [
          refusal(
            "required",
            "Say whose report: subject is the id of a patient, or Patient/id. For one about everybody send reportType=summary.",
            "subject",
          ),
        ]
      : []),
  ];
  const period = periodOf(periodStart, periodEnd);
  if (!period.ok) refusals.push(...period.refusals);
  if (reportType !== undefined && reportType !== "subject") {
    const detail = `Reports are made about one subject, or as a summary; "${reportType.slice(0, 64)}" is neither. Send subject or summary.`;
    refusals.push(refusal("not-supported", detail, "reportType"));
  }
  if (refusals.length > 0 || !measure.ok || !period.ok || patientId === undefined) return refused(...refusals);
  return accepted({ measure: measure.value, patientId, ...period.value });
}

/** A measure by id, or by its canonical address. */
function measureOf(id: string | undefined, named: string | undefined): Result<string> {
  const asked = id ?? named;
  if (asked === undefined) {
    return refused(refusal("required", "Say which measure: by its address, or as measure.", "measure"));
  }
  const codes = measureTexts.map((one) => one.code);
  const found = codes.find((code) => code === asked || measureUrl(code) === withoutVersion(asked));
  if (found === undefined) {
    const detail = `There is no measure "${asked.slice(0, 200)}" that this service can evaluate. It has: ${codes.join(", ")}.`;
    return refused({ kind: "not-found", detail, at: "measure", status: 404 });
  }
  if (id !== undefined && named !== undefined && named !== id && withoutVersion(named) !== measureUrl(found)) {
    return refused(refusal("invalid", "The address and the parameter name two measures. Send one.", "measure"));
  }
  return accepted(found);
}

function unsupported(asked: { practitioner?: string; lastReceivedOn?: string }): Refusal[] {
  return (["practitioner", "lastReceivedOn"] as const)
    .filter((name) => asked[name] !== undefined)
    .map((name) => refusal("not-supported", `${name} is for reports about several subjects; leave it out.`, name));
}

function periodOf(periodStart: string, periodEnd: string): Result<{ firstDay: LocalDay; endDay: LocalDay }> {
  const refusals = [["periodStart", periodStart] as const, ["periodEnd", periodEnd] as const].flatMap(([at, text]) =>
    text.includes("T") || dayRangeOf({ start: text }, "UTC") === undefined || !isPlausible(text)
      ? [refusal("value", "Send a date such as 2026-03-01, or a month or year, from 1900 up to 2199.", at)]
      : [],
  );
  if (refusals.length > 0) return refused(...refusals);
  const range = dayRangeOf({ start: periodStart, end: periodEnd }, "UTC");
  if (range?.endDay === undefined || range.endDay <= range.firstDay) {
    return refused(
      refusal("value", "periodEnd lies before periodStart. Send a period of at least a day.", "periodEnd"),
    );
  }
  if (addDays(range.firstDay, mostDays) < range.endDay) {
    return refused(refusal("too-costly", `A report spans at most ${mostDays} days. Ask for less.`, "periodEnd"));
  }
  return accepted({ firstDay: range.firstDay, endDay: range.endDay });
}

/** A date of any precision that exists, of a time in which somebody now treated may have lived. */
function isPlausible(text: string): boolean {
  const year = text.slice(0, 4);
  return year >= "1900" && year < "2200" && isLocalDay(`${text}-01-01`.slice(0, 10));
}

function refusal(kind: Refusal["kind"], detail: string, at: string): Refusal {
  return { kind, detail, at, status: 400 };
}
