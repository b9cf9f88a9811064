import type { MeasureReport } from "@medplum/fhirtypes";
import { measureSegments, measuresOf, sessionsCompletedByPart } from "../domain/measures.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import { measureReport } from "../fhir/measure-report.ts";
import type { MeasureRequest } from "../fhir/measure-request.ts";
import { readInTenant } from "../store/database.ts";
import { noSuchPatient, readPicture } from "./picture.ts";
import type { Service } from "./service.ts";

/**
 * One measure of one patient as an individual MeasureReport, computed on read and stored nowhere; 404 when there is no
 * such patient. Parts and plans stand beside the whole as strata, whose counts add up to it.
 */
export async function evaluateMeasure(
  service: Service,
  tenantId: number,
  asked: MeasureRequest,
): Promise<Result<MeasureReport>> {
  const { measure: code, patientId, firstDay, endDay } = asked;
  const read = await readInTenant(service.database, tenantId, (session) =>
    readPicture(service, session, patientId, service.now(), firstDay),
  );
  if (read === undefined) {
    return refused({ ...noSuchPatient(patientId), at: "subject" });
  }
  const { picture } = read;
  const measure = measuresOf(picture, firstDay, endDay).find((one) => one.code === code);
  if (measure === undefined) throw new Error(`the measure ${code} is declared and not computed`);
  const byPlan = measureSegments(picture, firstDay, endDay).flatMap((segment) =>
    segment.measures
      .filter((one) => one.code === code && segment.planId !== undefined)
      .map((one) => ({ name: `CarePlan/${segment.planId}`, measure: one })),
  );
  const byPart =
    code === "sessions-completed"
      ? sessionsCompletedByPart(picture, firstDay, endDay).map(({ part, ...one }) => ({ name: part, measure: one }))
      : [];
  return accepted(measureReport(patientId, measure, { byPart, byPlan }));
}
