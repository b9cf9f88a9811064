import type { Neighbour } from "./neighbour.ts";
import { gets, parameters, type Sweep, type Swept } from "./sweep-request.ts";

const prefer = { prefer: "respond-async" };

/** Exports and imports: begun about the neighbour's people, and the neighbour's own asked after. */
export function bulkSweep({ exportId }: Pick<Neighbour, "exportId">): Sweep {
  const asked = (url: string, body?: unknown): Swept[] => [
    { url, headers: prefer, ...(body === undefined ? {} : { body }) },
  ];
  const people = parameters({ name: "patient", valueReference: { reference: "Patient/bert" } });
  const line =
    '{"resourceType":"Observation","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/bert"}}\n';
  return {
    "GET /fhir/$export": asked("/fhir/$export?_type=Patient"),
    "POST /fhir/$export": asked("/fhir/$export", parameters({ name: "_type", valueString: "Patient" })),
    "GET /fhir/Patient/$export": asked("/fhir/Patient/$export?_type=Patient"),
    "POST /fhir/Patient/$export": asked("/fhir/Patient/$export", people),
    "GET /fhir/Group/:id/$export": asked("/fhir/Group/next-door/$export"),
    "POST /fhir/Group/:id/$export": asked("/fhir/Group/next-door/$export", people),
    "GET /fhir/$export/:jobId": gets(`/fhir/$export/${exportId}`),
    "GET /fhir/$export/:jobId/:file": gets(`/fhir/$export/${exportId}/Patient-1.ndjson`),
    "POST /fhir/$import": [{ url: "/fhir/$import", body: line, type: "application/fhir+ndjson" }],
    "GET /fhir/$import/:jobId": gets(`/fhir/$import/${exportId}`),
    "GET /fhir/$import/:jobId/:file": gets(`/fhir/$import/${exportId}/outcomes.ndjson`),
    "DELETE /fhir/$export/:jobId": gets(`/fhir/$export/${exportId}`),
    "DELETE /fhir/$import/:jobId": gets(`/fhir/$import/${exportId}`),
  };
}
