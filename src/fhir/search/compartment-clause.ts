import { patientCompartmentParameters } from "../compartment.ts";
import type { Definitions } from "../definitions.ts";
import { isHotPatient } from "./extract.ts";
import type { Clause } from "./query.ts";
import { referenceTerm } from "./reference.ts";

/**
 * The condition that a resource of this type belongs to a patient
 * (https://hl7.org/fhir/R4/compartmentdefinition-patient.html): any of the type's compartment parameters names the
 * patient; a Patient belongs to its own compartment.
 */
export function compartmentClause(definitions: Definitions, type: string, patientId: string): Clause {
  const reference = `Patient/${patientId}`;
  const of: Clause[] = [];
  const terms: string[] = [];
  for (const code of patientCompartmentParameters(type)) {
    const parameter = definitions.parameters(type).get(code);
    if (parameter === undefined) continue;
    if (isHotPatient(parameter)) of.push({ kind: "patient", anyOf: [patientId] });
    else terms.push(...parameter.atoms.map((atom) => referenceTerm(atom.key, reference)));
  }
  if (terms.length > 0) of.push({ kind: "terms", anyOf: terms, negate: false });
  if (type === "Patient") of.push({ kind: "id", anyOf: [patientId] });
  return of.length === 1 && of[0] !== undefined ? of[0] : { kind: "any", of };
}
