import type { MeasureReport } from "@medplum/fhirtypes";
import { periodOf } from "../domain/population/period.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import type { SummaryRequest } from "../fhir/measure-request.ts";
import { summaryReport } from "../fhir/summary-report.ts";
import { bodyOf, releasedOf } from "./release.ts";
import type { Service } from "./service.ts";

/** One measure of everybody, from the release of its period that was signed off, and from nothing else. */
export async function evaluateSummary(
  service: Service,
  tenantId: number,
  asked: SummaryRequest,
): Promise<Result<{ readonly report: MeasureReport; readonly sha256: string }>> {
  const period = periodAt(asked);
  if (period === undefined) {
    const detail =
      "Summaries are of calendar months, quarters and years, whole: periodStart=2026-05&periodEnd=2026-05, or periodStart=2026-04-01&periodEnd=2026-06-30.";
    return refused({ kind: "value", detail, at: "periodStart", status: 400 });
  }
  const found = await releasedOf(service, tenantId, period);
  const report = found && summaryReport(asked.measure, bodyOf(found));
  if (found === undefined || report === undefined) {
    const detail = `Nothing was released of ${asked.measure} in ${period}. GET /api/v1/releases lists what was.`;
    return refused({ kind: "not-found", detail, at: "periodStart", status: 404 });
  }
  return accepted({ report, sha256: found.sha256 });
}

/** The code of the period of the grid with exactly these days. */
function periodAt({ firstDay, endDay }: SummaryRequest): string | undefined {
  const [year = "", month = ""] = firstDay.split("-");
  const codes = [`${year}-${month}`, `${year}-Q${Math.ceil(Number(month) / 3)}`, year];
  return codes.find((code) => {
    const period = periodOf(code);
    return period?.firstDay === firstDay && period.endDay === endDay;
  });
}
