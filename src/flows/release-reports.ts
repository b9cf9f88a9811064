import type { MeasureReport } from "@medplum/fhirtypes";
import type { ReleaseBody } from "../domain/population/release-body.ts";
import { measureTexts } from "../fhir/measure.ts";
import { summaryReport } from "../fhir/summary-report.ts";
import type { TenantSession } from "../store/database.ts";
import { lockResources, referenceOf } from "../store/resource.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import type { Service } from "./service.ts";

const type = "MeasureReport";

/**
 * Stores the summaries of a release that is signed off as MeasureReports, so that they are found as any resource is. In the
 * transaction of the sign-off; nothing where MeasureReport is switched off.
 */
export async function publishReports(service: Service, session: TenantSession, body: ReleaseBody): Promise<void> {
  if (!service.definitions.has(type)) return;
  const writes = measureTexts.flatMap(({ code }): Write[] => {
    const report = summaryReport(code, body);
    const id = reportId(body.number, code);
    return report === undefined ? [] : [{ type, id, resource: { ...report, id } as MeasureReport }];
  });
  await commitWrites(service, session, writes, new Map(), { ownWork: true });
}

/** Takes them away again with the release. Their history says that they were. */
export async function withdrawReports(service: Service, session: TenantSession, number: number): Promise<void> {
  const references = measureTexts.map(({ code }) => `${type}/${reportId(number, code)}`);
  const stored = (await lockResources(session, references)).filter((one) => !one.deleted);
  const current = new Map(stored.map((one) => [referenceOf(one), one]));
  const writes = stored.map(({ id }): Write => ({ type, id }));
  await commitWrites(service, session, writes, current, { ownWork: true });
}

function reportId(number: number, code: string): string {
  return `release-${number}-${code}`;
}
