import { expect, test } from "vitest";
import { actOf } from "../../src/http/audit-act.ts";
import { routeNeeds } from "../../src/http/needs.ts";

// Actions: https://hl7.org/fhir/R4/valueset-audit-event-action.html.
test.each<[string, string, string]>([
  ["POST /fhir", "rest", "E"],
  ["GET /fhir", "search", "E"],
  ["HEAD /fhir/:type/:id", "rest", "R"],
  ["POST /fhir/_search", "search", "E"],
  ["GET /fhir/_history", "rest", "R"],
  ["POST /fhir/:type", "rest", "C"],
  ["GET /fhir/:type", "search", "E"],
  ["POST /fhir/:type/_search", "search", "E"],
  ["PUT /fhir/:type/:id", "rest", "U"],
  ["PATCH /fhir/:type", "rest", "U"],
  ["DELETE /fhir/:type", "rest", "D"],
  ["GET /fhir/:type/:id", "rest", "R"],
  ["GET /fhir/:type/:id/_history/:version", "rest", "R"],
  ["GET /fhir/:type/:id/:member", "search", "E"],
  ["POST /fhir/:type/:id/$meta-add", "rest", "E"],
  ["GET /fhir/Patient/:id/$everything", "export", "R"],
  ["POST /fhir/Patient/:id/$everything", "export", "R"],
  ["GET /fhir/$export", "export", "E"],
  ["POST /fhir/Group/:id/$export", "export", "E"],
  ["GET /fhir/$export/:jobId", "rest", "R"],
  ["DELETE /fhir/$export/:jobId", "rest", "D"],
  ["HEAD /fhir/$export/:jobId/:file", "export", "R"],
  ["POST /fhir/$import", "upload", "C"],
  ["GET /fhir/$import/:jobId", "rest", "R"],
  ["GET /fhir/$import/:jobId/:file", "export", "R"],
  ["GET /fhir/AuditEvent", "search", "E"],
  ["GET /fhir/AuditEvent/:id", "rest", "R"],
  ["GET /fhir/Subscription/$status", "rest", "E"],
  ["GET /fhir/Subscription/:id/$events", "rest", "E"],
  ["POST /api/v1/subscriptions/:subscriptionId/secret", "access-change", "U"],
  ["GET /api/v1/events", "dashboard", "R"],
  ["POST /api/v1/use-records", "upload", "C"],
  ["POST /api/v1/uploads/:uploadId/replay", "upload", "C"],
  ["POST /api/v1/hl7v2", "upload", "C"],
  ["GET /api/v1/messages", "dashboard", "R"],
  ["GET /api/v1/messages/:messageId/content", "export", "R"],
  ["POST /api/v1/messages/:messageId/replay", "upload", "C"],
  ["GET /api/v1/uploads/:uploadId/content", "export", "R"],
  ["GET /api/v1/caseload", "dashboard", "R"],
  ["GET /api/v1/patients/:patientId/days", "dashboard", "R"],
  ["PUT /api/v1/thresholds", "rest", "U"],
  ["GET /api/v1/plans/:planId/thresholds", "rest", "R"],
  ["GET /api/v1/clients", "rest", "R"],
  ["POST /api/v1/clients", "access-change", "C"],
  ["PUT /api/v1/clients/:clientId", "access-change", "U"],
  ["GET /api/v1/releases", "rest", "R"],
  ["POST /api/v1/releases", "rest", "C"],
  ["GET /api/v1/releases/:number", "rest", "R"],
  ["GET /api/v1/releases/:number.csv", "export", "R"],
  ["GET /api/v1/releases/:number/page", "export", "R"],
  ["POST /api/v1/releases/:number/sign-off", "rest", "U"],
  ["POST /api/v1/releases/:number/withdraw", "rest", "U"],
  ["POST /auth/token", "login", "E"],
])("%s is a %s with action %s", (line, kind, action) => {
  const [method = "", route = ""] = line.split(" ");
  expect(actOf(method, route)).toEqual({ kind, action });
});

test("no route that writes is told as a read, and none that reads as a write", () => {
  for (const line of Object.keys(routeNeeds)) {
    const [method = "", route = ""] = line.split(" ");
    const { action } = actOf(method, route);
    if (method === "GET") expect(["R", "E"], line).toContain(action);
    if (["PUT", "PATCH", "DELETE"].includes(method)) expect(["U", "D"], line).toContain(action);
  }
});
