import type { Resource } from "@medplum/fhirtypes";
import type { Refusal } from "../domain/result.ts";
import { localTarget, referencesIn } from "../fhir/references.ts";
import { extractIndexValues } from "../fhir/search/extract.ts";
import { type NewResource, referenceOf, type StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/**
 * Refuses what newly belongs to a person whose record was merged into another (`retired` says into which): nobody looks there any
 * more, and what a merge moved would be left behind again. What belonged to that record before may be changed and stay.
 */
export function refuseForRetired(
  service: Pick<Service, "definitions">,
  written: readonly NewResource[],
  current: ReadonlyMap<string, StoredResource>,
  retired: ReadonlyMap<string, string>,
): Refusal[] {
  if (retired.size === 0) return [];
  return written.flatMap((one): Refusal[] => {
    const { patientId } = one.index.hot;
    if (patientId === undefined || one.deleted || one.type === "Patient") return [];
    const other = retired.get(patientId);
    if (other === undefined) return [];
    const before = current.get(referenceOf(one));
    if (before !== undefined && !before.deleted && patientOf(service, before) === patientId) return [];
    const detail = `Patient/${patientId} was merged into Patient/${other}. Send it for Patient/${other}.`;
    return [{ kind: "business-rule", detail, at: placeOf(service, one, patientId), status: 422 }];
  });
}

function patientOf({ definitions }: Pick<Service, "definitions">, { body }: StoredResource): string | undefined {
  return extractIndexValues(definitions, JSON.parse(body) as Resource).hot.patientId;
}

/** Where the resource names the person. */
function placeOf(
  { definitions }: Pick<Service, "definitions">,
  { body, type }: StoredResource,
  patientId: string,
): string {
  const names = ({ reference }: { reference: string }) => {
    const target = localTarget(definitions.local(reference));
    return target?.type === "Patient" && target.id === patientId;
  };
  return referencesIn(JSON.parse(body) as Resource).find(names)?.at ?? type;
}
