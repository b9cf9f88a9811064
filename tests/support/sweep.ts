import type { Neighbour } from "./neighbour.ts";
import { bulkSweep } from "./sweep-bulk.ts";
import { fhirReads } from "./sweep-fhir.ts";
import { gets, parameters, type Sweep, type Swept } from "./sweep-request.ts";
import { deletions, writes } from "./sweep-writes.ts";

/** Everything that can be asked of the neighbour's records, by route: reads before writes before deletions. */
export function sweepOf(b: Neighbour): Sweep {
  const pages = (pattern: RegExp) => gets(...b.nextPages.filter((one) => pattern.test(one)));
  return { ...fhirReads(b, pages), ...ownReads(b, pages), ...bulkSweep(b), ...writes(b), ...deletions(b) };
}

function ownReads(b: Neighbour, pages: (pattern: RegExp) => Swept[]): Sweep {
  const api = "/api/v1";
  return {
    "GET /api/v1/uploads": [...gets(`${api}/uploads`, `${api}/uploads?status=accepted`), ...pages(/uploads/)],
    "GET /api/v1/uploads/:uploadId": gets(`${api}/uploads/${b.uploadId}`),
    "GET /api/v1/uploads/:uploadId/content": gets(`${api}/uploads/${b.uploadId}/content`),
    "GET /api/v1/messages": gets(`${api}/messages`, `${api}/messages?state=accepted`),
    "GET /api/v1/messages/:messageId": gets(`${api}/messages/${b.messageId}`),
    "GET /api/v1/messages/:messageId/content": gets(`${api}/messages/${b.messageId}/content`),
    "GET /api/v1/caseload": [
      ...gets(`${api}/caseload`, `${api}/caseload?name=nextdoor`, `${api}/caseload?sort=urgency`),
      ...pages(/caseload/),
    ],
    "GET /api/v1/patients/:patientId/days": gets(`${api}/patients/bert/days`),
    "GET /api/v1/patients/:patientId/change-signal": gets(`${api}/patients/bert/change-signal`),
    "GET /api/v1/patients/:patientId/explain": gets(`${api}/patients/bert/explain?rule=low-use`),
    "GET /api/v1/patients/:patientId/review": gets(
      `${api}/patients/bert/review`,
      `${api}/patients/bert/review?asOf=2026-06-01`,
    ),
    "GET /api/v1/patients/:patientId/parts": gets(`${api}/patients/bert/parts`),
    "GET /api/v1/parts/forecast": [
      ...gets(
        `${api}/parts/forecast?days=90`,
        `${api}/parts/forecast?days=90&organization=next-door`,
        `${api}/parts/forecast?days=90&format=csv`,
      ),
      ...pages(/forecast/),
    ],
    "GET /api/v1/tasks/:taskId/explain": gets(`${api}/tasks/${b.taskId}/explain`),
    "GET /api/v1/events": gets(`${api}/events?topic=nothing`),
    "GET /fhir/Subscription/$status": gets(
      "/fhir/Subscription/$status",
      "/fhir/Subscription/$status?id=told-next-door",
    ),
    "POST /fhir/Subscription/$status": [{ url: "/fhir/Subscription/$status", body: parameters() }],
    "GET /fhir/Subscription/:id/$status": gets("/fhir/Subscription/told-next-door/$status"),
    "POST /fhir/Subscription/:id/$status": [{ url: "/fhir/Subscription/told-next-door/$status", body: parameters() }],
    "GET /fhir/Subscription/:id/$events": gets("/fhir/Subscription/told-next-door/$events"),
    "POST /fhir/Subscription/:id/$events": [
      { url: "/fhir/Subscription/told-next-door/$events", body: parameters({ name: "content", valueCode: "id-only" }) },
    ],
    "POST /api/v1/subscriptions/:subscriptionId/secret": gets(`${api}/subscriptions/told-next-door/secret`),
    "GET /api/v1/thresholds": gets(`${api}/thresholds`),
    "GET /api/v1/thresholds/history": gets(`${api}/thresholds/history`),
    "GET /api/v1/plans/:planId/thresholds": gets(`${api}/plans/plan-bert/thresholds`),
    "GET /api/v1/plans/:planId/thresholds/history": gets(`${api}/plans/plan-bert/thresholds/history`),
    "GET /api/v1/clients": gets(`${api}/clients`, `${api}/clients?afterId=stranger.`),
    "GET /api/v1/releases": gets(`${api}/releases`, `${api}/releases?before=2`),
    "GET /api/v1/releases/:number": gets(`${api}/releases/1`),
    "GET /api/v1/releases/:number.csv": gets(`${api}/releases/1.csv`),
    "GET /api/v1/releases/:number/page": gets(`${api}/releases/1/page`),
    "GET /api/v1/clients/:clientId": gets(`${api}/clients/${b.client.clientId}`),
  };
}
