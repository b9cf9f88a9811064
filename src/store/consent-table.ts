import { instant } from "./database.ts";
import type { FactTable } from "./fact-table.ts";

/** What people deny by a Consent, as policies of reading ask for it. */
export const consentTable: FactTable = {
  table: "consent_denial",
  from: ["Consent"],
  source: "consent_id",
  key: ["consent_id", "position"],
  // No review asks what people deny to others.
  patient: "null::text",
  columns: {
    consent_id: "text",
    position: "integer",
    patient_id: "text",
    starts_at: "timestamptz",
    ends_at: "timestamptz",
    denied_to: "text[]",
    types: "text[]",
    permitted: "text[]",
  },
  rows: (fact) =>
    fact.kind !== "consent-denial"
      ? []
      : [
          {
            consent_id: fact.denial.consentId,
            position: fact.denial.position,
            patient_id: fact.denial.patientId,
            starts_at: instant(fact.denial.startMs),
            ends_at: instant(fact.denial.endMs),
            denied_to: fact.denial.deniedTo,
            types: fact.denial.types,
            permitted: fact.denial.permitted,
          },
        ],
};
