import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { registerClient } from "../../src/flows/client.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";

// Anna belongs to a ward of the trust, Bert to another hospital. Both have a machine, a plan, sessions and an old circuit.
let here: TestApp;
const tokens: Record<"person" | "trust" | "empty", string> = { person: "", trust: "", empty: "" };

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  const organization = (id: string, partOf?: string) => ({
    resourceType: "Organization",
    id,
    name: id,
    ...(partOf === undefined ? {} : { partOf: { reference: `Organization/${partOf}` } }),
  });
  await put(here, organization("trust"), organization("ward", "trust"), organization("other"), organization("nobodys"));
  for (const [id, organizationId] of [
    ["anna", "ward"],
    ["bert", "other"],
  ] as const) {
    await personWithCircuit(here, id, "2026-04-01");
    await put(here, patientResource({ id, family: id, given: "Given", organizationId }));
    await usedEveryDay(here, id);
    await reviewPatient(here.service, here.tenantId, id);
  }
  tokens.person = await tokenFor(here, "dashboard", undefined, { patientId: "anna" });
  tokens.trust = await tokenFor(here, "dashboard", undefined, { organizationId: "trust" });
  tokens.empty = await tokenFor(here, "dashboard", undefined, { organizationId: "nobodys" });
});

afterAll(() => here.close());

async function get(client: keyof typeof tokens, url: string) {
  const headers = { authorization: `Bearer ${tokens[client]}` };
  const { statusCode, body } = await here.app.inject({ method: "GET", url, headers });
  return { statusCode, body };
}

/** Addresses whose answers, for who may see all, tell of Bert. */
const aboutBert = [
  "/fhir/Patient/bert",
  "/fhir/Patient/bert/_history",
  "/fhir/Patient/bert/_history/1",
  "/fhir/Patient/bert/$everything",
  "/fhir/Patient/bert/Observation",
  "/fhir/Patient/bert/*",
  "/fhir/Patient?family=bert",
  "/fhir/Patient?_id=bert",
  "/fhir/Patient?_has:Observation:subject:status=final",
  "/fhir/Patient?_count=500",
  "/fhir/Observation?_count=500",
  "/fhir/Observation?subject=Patient/bert",
  "/fhir/Observation?subject:Patient.family=bert",
  "/fhir/Observation?_include=Observation:subject&_include=Observation:device&_count=500",
  "/fhir/Observation/$lastn?patient=bert&category=therapy",
  "/fhir/Task?_count=500",
  "/fhir/CarePlan?_include=*",
  "/fhir/DeviceUseStatement?_count=500",
  "/fhir/Device?_revinclude=DeviceUseStatement:device&_count=500",
  "/fhir/Device/m-bert",
  "/fhir/Organization?_revinclude=Patient:organization",
  "/fhir/Observation/_history?_count=500",
  "/fhir/Patient/_history?_count=500",
  "/fhir/_history?_count=500",
  "/fhir/?_type=Patient,Task,Device&_count=500",
  "/fhir/Measure/days-used/$evaluate-measure?subject=bert&periodStart=2026-05-20&periodEnd=2026-06-01",
  "/api/v1/caseload",
  "/api/v1/patients/bert/days",
  "/api/v1/patients/bert/explain?rule=low-use",
  "/api/v1/patients/bert/review",
  "/api/v1/patients/bert/parts",
  "/api/v1/patients/bert/change-signal",
  "/api/v1/parts/forecast?days=90",
];

describe.each(["person", "trust", "empty"] as const)("a client bound to %s", (client) => {
  test.each(aboutBert)("learns nothing of anybody else from %s", async (url) => {
    const all = await here.app.inject({ method: "GET", url, headers: { authorization: `Bearer ${here.token}` } });
    expect([url, all.statusCode, all.body.includes("bert")]).toEqual([url, 200, true]);
    const { statusCode, body } = await get(client, url);
    expect(statusCode).toBeLessThan(500);
    // What the request itself named may come back in a link or an outcome; no record may.
    const answer = JSON.parse(body) as { entry?: unknown; rows?: unknown; patients?: unknown; resourceType?: string };
    const told = JSON.stringify([answer.entry, answer.rows, answer.patients]);
    expect(told).not.toContain("bert");
    if (answer.resourceType !== "Bundle" && answer.rows === undefined && answer.patients === undefined) {
      expect([403, 404]).toContain(statusCode);
    }
  });
});

describe.each(["person", "trust"] as const)("a client bound to %s", (client) => {
  test.each(aboutBert.map((url) => url.replaceAll("bert", "anna")))("sees Anna at %s", async (url) => {
    const { statusCode, body } = await get(client, url);
    expect([url, statusCode]).toEqual([url, 200]);
    expect(body).toContain("anna");
  });

  test("writes nothing", async () => {
    const headers = { authorization: `Bearer ${tokens[client]}`, "content-type": "application/fhir+json" };
    const payload = JSON.stringify(patientResource({ id: "anna", family: "x", given: "y" }));
    const answer = await here.app.inject({ method: "PUT", url: "/fhir/Patient/anna", headers, payload });
    expect(answer.statusCode).toBe(403);
  });
});

test("totals count nobody else", async () => {
  const { body } = await get("person", "/fhir/Observation?_summary=count");
  const all = await here.app.inject({
    method: "GET",
    url: "/fhir/Observation?_summary=count",
    headers: { authorization: `Bearer ${here.token}` },
  });
  expect((JSON.parse(body) as { total: number }).total * 2).toBe((all.json() as { total: number }).total);
});

describe("a bound client is registered", () => {
  const keys = { jwksUrl: "https://keys.example/jwks" };
  test.each<[string, object]>([
    ["of another role", { role: "integration", patientId: "anna" }],
    ["that writes", { role: "dashboard", patientId: "anna", scope: "system/Task.u" }],
    ["bound twice", { role: "dashboard", patientId: "anna", organizationId: "ward" }],
  ])("never %s", async (_what, wanted) => {
    const made = await registerClient(here.service, here.tenantId, { name: "x", role: "x", ...keys, ...wanted });
    expect(made.ok).toBe(false);
  });
});
