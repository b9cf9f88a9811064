import type { Bundle, Observation, Patient } from "@medplum/fhirtypes";

/** An invented person. */
export const patient = (family: string): Patient => ({
  resourceType: "Patient",
  name: [{ family, given: ["Invented"] }],
  birthDate: "1980-05-17",
});

/** An observation of a patient; what was measured does not matter. */
export const observation = (patientId: string, text: string): Observation => ({
  resourceType: "Observation",
  status: "final",
  code: { text },
  subject: { reference: `Patient/${patientId}` },
});

/** Ids of the resources in a bundle, in its order. */
export const idsOf = (bundle: Bundle | undefined) => (bundle?.entry ?? []).map((one) => one.resource?.id);
