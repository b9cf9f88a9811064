import type { Group } from "@medplum/fhirtypes";
import { localTarget } from "../fhir/references.ts";
import type { Service } from "./service.ts";

/** Patients whom a Group lists and does not call inactive. */
export function membersOf(service: Pick<Service, "definitions">, group: Group): string[] {
  const targets = (group.member ?? []).flatMap(({ entity, inactive }) =>
    inactive === true || entity.reference === undefined
      ? []
      : (localTarget(service.definitions.local(entity.reference)) ?? []),
  );
  return [...new Set(targets.filter(({ type }) => type === "Patient").map(({ id }) => id))];
}
