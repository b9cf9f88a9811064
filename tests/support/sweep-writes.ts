import { adt, message, msh, pid } from "./messages.ts";
import type { Neighbour } from "./neighbour.ts";
import {
  about,
  bert,
  bundle,
  entryOf,
  gets,
  likeBert,
  number,
  numbered,
  parameters,
  type Sweep,
} from "./sweep-request.ts";

const tagged = parameters({ name: "meta", valueMeta: { tag: [{ system: "urn:example:tags", code: "mine" }] } });
const patch = [{ op: "add", path: "/active", value: false }];
const hl7 = "application/hl7-v2";
const patchType = "application/json-patch+json";

/** What may change something, or be told that there is one like it. */
export function writes(b: Neighbour): Sweep {
  const api = "/api/v1";
  const expected = { ifMatch: 'W/"2"' };
  const client = { name: "x", role: "dashboard", jwksUrl: "https://keys.example/jwks" };
  const settings = { settings: {}, note: "A try", expectedVersion: 0 };
  return {
    "POST /fhir": [
      {
        url: "/fhir",
        body: bundle("batch", [
          ...[
            "Patient/bert",
            "Patient/bert/_history",
            `Patient?${number}`,
            "Patient/bert/$everything",
            "Observation?subject=bert&_summary=count",
          ].map((url) => entryOf("GET", url)),
          entryOf("PUT", "Patient/bert", bert, { ifMatch: 'W/"1"' }),
          entryOf("POST", "Patient", numbered, { ifNoneExist: number }),
        ]),
      },
      {
        url: "/fhir",
        body: bundle("transaction", [
          entryOf("GET", "Patient/bert"),
          entryOf("GET", `Patient?${number}&_summary=count`),
        ]),
      },
      {
        url: "/fhir",
        body: bundle("transaction", [
          entryOf("POST", "Observation", { ...about, subject: { reference: "Patient?family=nextdoor" } }),
        ]),
      },
      { url: "/fhir", body: bundle("transaction", [entryOf("POST", "Observation", about)]) },
      { url: "/fhir", body: bundle("transaction", [entryOf("PUT", "Patient/bert", bert, expected)]) },
      {
        url: "/fhir",
        body: bundle("transaction", [entryOf("DELETE", "Patient?family=nextdoor"), entryOf("DELETE", "Device/m-bert")]),
      },
    ],
    "POST /fhir/:type": [
      { url: "/fhir/Observation", body: about },
      { url: "/fhir/Patient", body: likeBert, headers: { "if-none-exist": "family=nextdoor" } },
    ],
    "PUT /fhir/:type": [
      { url: "/fhir/Patient?birthdate=1971-03-05", body: likeBert },
      { url: "/fhir/Organization?_id=next-door", body: { resourceType: "Organization", id: "next-door", name: "x" } },
    ],
    "PATCH /fhir/:type": [{ url: "/fhir/CarePlan?subject=bert", body: patch, type: patchType }],
    "PATCH /fhir/:type/:id": [
      { url: "/fhir/Patient/bea", body: patch, type: patchType },
      { url: "/fhir/Patient/bea", body: patch, type: patchType, headers: { "if-match": 'W/"1"' } },
    ],
    "POST /fhir/:type/:id/$meta-add": [{ url: "/fhir/Patient/bea/$meta-add", body: tagged }],
    "POST /fhir/:type/:id/$meta-delete": [{ url: "/fhir/Patient/bea/$meta-delete", body: tagged }],
    "PUT /fhir/:type/:id": [
      { url: "/fhir/Patient/bea", body: { ...bert, id: "bea" }, headers: { "if-match": 'W/"2"' } },
      { url: "/fhir/Patient/bert", body: bert, headers: { "if-none-match": "*" } },
      { url: "/fhir/Patient/bert", body: bert, headers: { "if-match": 'W/"1"' } },
      { url: `/fhir/Observation/${b.observationId}`, body: { ...about, id: b.observationId } },
    ],
    // Before the same bytes are sent, which then are ours as well.
    "POST /api/v1/uploads/:uploadId/replay": gets(`${api}/uploads/${b.uploadId}/replay`),
    "POST /api/v1/hl7v2": [
      // The number and the device of the neighbour's, and a control id that was used next door.
      {
        url: `${api}/hl7v2`,
        body: adt("A31", "next-door-1", "20260610100000", pid({ 3: "4720^^^NEXTDOOR" })),
        type: hl7,
      },
      {
        url: `${api}/hl7v2`,
        body: message(
          msh("ORU^R01", "ours-1", "20260610100000"),
          "OBR|1|||||||20260610080000",
          "OBX|1|NM|1^x^L||97||||||F|||||||s-bert^^^",
        ),
        type: hl7,
      },
    ],
    "POST /api/v1/messages/:messageId/replay": [{ url: `${api}/messages/${b.messageId}/replay` }],
    "POST /api/v1/use-records": [
      { url: `${api}/use-records`, body: b.uploaded },
      { url: `${api}/use-records`, body: b.uploaded },
    ],
    "PUT /api/v1/thresholds": [{ url: `${api}/thresholds`, body: settings }],
    "PUT /api/v1/plans/:planId/thresholds": [{ url: `${api}/plans/plan-bert/thresholds`, body: settings }],
    "POST /api/v1/clients": [
      { url: `${api}/clients`, body: { ...client, patientId: "bert" } },
      { url: `${api}/clients`, body: { ...client, clientId: b.client.clientId } },
    ],
    "PUT /api/v1/clients/:clientId": [
      { url: `${api}/clients/${b.client.clientId}`, body: { ...client, expectedVersion: 1 } },
    ],
    "POST /api/v1/releases": [{ url: `${api}/releases`, body: { period: "2026-05", policy: "hes", name: "Ada Vale" } }],
    "POST /api/v1/releases/:number/sign-off": [{ url: `${api}/releases/1/sign-off`, body: { name: "Cai Moor" } }],
    "POST /api/v1/releases/:number/withdraw": [
      { url: `${api}/releases/1/withdraw`, body: { name: "Cai Moor", reason: "A try." } },
    ],
  };
}

/** What may take something away; last, for it leaves nothing to ask for. */
export function deletions(b: Neighbour): Sweep {
  return {
    "DELETE /fhir/:type": gets("/fhir/Task?patient=bea", "/fhir/Patient?identifier=4712"),
    "DELETE /fhir/:type/:id": [
      ...gets("/fhir/Patient/bea", `/fhir/Task/${b.taskId}`, "/fhir/ValueSet/kinds"),
      { url: "/fhir/CodeSystem/codes", headers: { "if-match": 'W/"1"' } },
    ],
  };
}
