import type { Resource } from "@medplum/fhirtypes";
import type { Refusal } from "../domain/result.ts";
import { isReleaseReport } from "../fhir/summary-report.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";

/** Why writes of others are refused that would make, change or take away what a release says: it is frozen. */
export function refuseReleaseReports(
  writes: readonly { readonly type: string; readonly id: string; readonly resource?: Resource }[],
  current: ReadonlyMap<string, StoredResource>,
): Refusal[] {
  return writes
    .filter((write) => write.type === "MeasureReport")
    .filter((write) => isReleaseReport(write.resource) || isReleaseReport(parsed(current.get(referenceOf(write)))))
    .map((write) => {
      const detail = `${referenceOf(write)} belongs to a release of population figures, which is frozen. Withdraw the release instead, or use another identifier.`;
      return { kind: "business-rule", detail, at: "MeasureReport.identifier", status: 422 };
    });
}

function parsed(stored: StoredResource | undefined): unknown {
  return stored === undefined || stored.deleted ? undefined : (JSON.parse(stored.body) as unknown);
}
