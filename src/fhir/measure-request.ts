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

const subjectShape = /^(?:Patient\/)?([A-Za-z0-9\-.]{1,64})$/;

/** The most days of one report. */
const mostDays = 1_100;

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
      ? [refusal("required", "Say whose report: subject is the id of a patient, or Patient/id.", "subject")]
      : []),
  ];
  const period = periodOf(periodStart, periodEnd);
  if (!period.ok) refusals.push(...period.refusals);
  if (reportType !== undefined && reportType !== "subject") {
    const detail = `Only reports about one subject are made here; "${reportType.slice(0, 64)}" is not. Leave reportType out, or send subject.`;
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
