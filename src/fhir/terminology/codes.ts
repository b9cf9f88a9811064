/** A code of somebody else's system that we ship; docs/evidence/codes.json says where each was read. */
export interface ShippedCode {
  readonly system: string;
  readonly code: string;
  readonly display: string;
}

/** The therapy itself, as a second coding beside our own. */
export const assistedCoughTherapy: ShippedCode = {
  system: "http://snomed.info/sct",
  code: "787180006",
  display: "Mechanical insufflation exsufflation (regime/therapy)",
};

/** Security label of test data (FHIR R4 security labels, v3 ActReason). */
export const testDataLabel: ShippedCode = {
  system: "http://terminology.hl7.org/CodeSystem/v3-ActReason",
  code: "HTEST",
  display: "test health data",
};

/** Every code of LOINC, SNOMED CT or MDC that leaves this service. */
export const shippedCodes: readonly ShippedCode[] = [assistedCoughTherapy];
