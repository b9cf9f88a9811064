import type { Neighbour } from "./neighbour.ts";
import { fhirReads } from "./sweep-fhir.ts";
import { gets, type Sweep, type Swept } from "./sweep-request.ts";
import { deletions, writes } from "./sweep-writes.ts";

/** Everything that can be asked of the neighbour's records, by route: reads before writes before deletions. */
export function sweepOf(b: Neighbour): Sweep {
  const pages = (pattern: RegExp) => gets(...b.nextPages.filter((one) => pattern.test(one)));
  return { ...fhirReads(b, pages), ...ownReads(b, pages), ...writes(b), ...deletions(b) };
}

function ownReads(b: Neighbour, pages: (pattern: RegExp) => Swept[]): Sweep {
  const api = "/api/v1";
  return {
    "GET /api/v1/uploads": [...gets(`${api}/uploads`, `${api}/uploads?status=accepted`), ...pages(/uploads/)],
    "GET /api/v1/uploads/:uploadId": gets(`${api}/uploads/${b.uploadId}`),
    "GET /api/v1/uploads/:uploadId/content": gets(`${api}/uploads/${b.uploadId}/content`),
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
