import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { askerOf, shownIn } from "../support/asking.ts";
import { tokenFor } from "../support/client.ts";
import { personWithMachine } from "../support/half-user.ts";

let here: TestApp;
let administrator = "";
const ask = askerOf(() => here);

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await personWithMachine(here, "anna");
  administrator = await tokenFor(here, "administrator");
});

afterAll(() => here.close());

// OWASP API Security Top 10 (2023), API1 and API5: nothing but the token says whose records are asked for.
describe("a tenant that the request itself names", () => {
  test.each([
    ["X-Tenant", "stranger"],
    ["X-Tenant-Id", "2"],
    ["X-Tenant", "1"],
    ["X-Organization-Id", "2"],
    ["Tenant", "2"],
    ["Host", "stranger.gate.test"],
    ["X-Forwarded-Host", "stranger.gate.test"],
    ["Forwarded", "for=127.0.0.1;host=stranger.gate.test;by=2"],
    ["X-Original-URL", "/fhir/Patient?_tenant=2"],
    ["X-Rewrite-URL", "/api/v1/clients"],
    ["X-HTTP-Method-Override", "DELETE"],
    ["Cookie", "tenant=2; session=x"],
    ["X-User", "root"],
    ["Content-Location", "/fhir/2"],
  ])("by %s: %s, changes nothing", async (name, value) => {
    for (const url of ["/fhir/Patient", "/fhir/Patient/anna", "/api/v1/caseload"]) {
      const strangers = { authorization: `Bearer ${here.strangersToken}`, "x-request-id": "r" };
      const plain = await ask("GET", url, { headers: strangers });
      const forged = await ask("GET", url, { headers: { ...strangers, [name.toLowerCase()]: value } });
      expect([forged.statusCode, forged.body]).toEqual([plain.statusCode, plain.body]);
      expect(forged.body).not.toContain("s-anna");
    }
  });

  test("by a parameter or in a body changes nothing, or is refused", async () => {
    const headers = { authorization: `Bearer ${here.strangersToken}` };
    for (const name of ["tenant", "_tenant", "tenantId", "tenant_id"]) {
      expect(shownIn((await ask("GET", `/fhir/Patient?${name}=${here.tenantId}`, { headers })).body)).toBe(0);
      expect((await ask("GET", `/api/v1/caseload?${name}=${here.tenantId}`, { headers })).statusCode).toBe(400);
      const body = JSON.stringify({ resourceType: "Patient", [name]: here.tenantId });
      expect((await ask("POST", "/fhir/Patient", { body, headers })).statusCode).toBe(400);
    }
  });
});

describe("keys of a prototype, and depth, in the bodies of our own doors", () => {
  const base = { name: "x", role: "dashboard", jwksUrl: "https://keys.example/jwks" };
  const raw = (text: string) => JSON.stringify({ ...base, more: "@" }).replace('"more":"@"', text);
  const deep = `${'{"a":'.repeat(20_000)}1${"}".repeat(20_000)}`;

  test.each([
    ["__proto__ beside the fields", raw('"__proto__":{"role":"administrator"}')],
    ["a constructor beside the fields", raw('"constructor":{"prototype":{"role":"administrator"}}')],
    ["an escaped __proto__", raw('"\\u005f_proto__":{"disabled":true}')],
    ["a role named like an object's inside", raw('"role":"constructor"')],
    ["__proto__ among the keys", raw('"jwks":{"__proto__":{"keys":[]}}')],
    ["20 000 levels", raw(`"jwks":${deep}`)],
    ["a list", "[]"],
    ["null", "null"],
    ["no JSON", "{"],
  ])("a client with %s is refused, and gives nobody a property", async (_what, body) => {
    const headers = { authorization: `Bearer ${administrator}` };
    const answer = await ask("POST", "/api/v1/clients", { body, type: "application/json", headers });
    expect([400, 422]).toContain(answer.statusCode);
    expect(({} as { role?: unknown }).role).toBeUndefined();
  });

  test.each([
    ["a setting called __proto__", '{"settings":{"__proto__":{"value":1,"source":"x"}},"note":"A try"}'],
    ["a setting called constructor", '{"settings":{"constructor":{"value":1,"source":"x"}},"note":"A try"}'],
    [
      "a value with a prototype",
      '{"settings":{"lowUseBelowShare":{"__proto__":{"value":0.5,"source":"x"}}},"note":"A try"}',
    ],
    ["20 000 levels", `{"settings":{"lowUseBelowShare":${deep}},"note":"A try"}`],
  ])("thresholds with %s are refused", async (_what, body) => {
    const { statusCode } = await ask("PUT", "/api/v1/thresholds", { body, type: "application/json" });
    expect([400, 422]).toContain(statusCode);
    expect(({} as { value?: unknown }).value).toBeUndefined();
  });

  test.each([
    ["__proto__ in the envelope", '"__proto__":{"device":{"serialNumber":"s-anna"}}'],
    ["a device with a prototype", '"device":{"serialNumber":"s-anna","__proto__":{"system":"x"}}'],
    [
      "a session with a constructor",
      '"sessions":[{"start":"2026-06-09T08:00:00Z","end":"2026-06-09T08:10:00Z","constructor":{}}]',
    ],
    ["20 000 levels", `"sessions":${deep}`],
  ])("a use record with %s is refused, or read without it", async (_what, part) => {
    const record = `{"format":"tidegate-use-record","version":1,"device":{"serialNumber":"s-anna"},"readAt":"2026-06-10T11:00:00Z","sessions":[],${part}}`;
    await ask("POST", "/api/v1/use-records", { body: record, type: "application/json" });
    expect(({} as { device?: unknown }).device).toBeUndefined();
    expect(({} as { system?: unknown }).system).toBeUndefined();
  });
});

describe("addresses that mean another one", () => {
  test.each([
    ...[
      "/fhir/Patient/%252e%252e/anna",
      "/fhir/Patient/anna%2f_history",
      "/fhir/Patient/anna/%2e%2e/anna",
      "/fhir/%50atient%2fanna",
    ],
    ...[
      "/FHIR/Patient/anna",
      "/fhir/patient/anna",
      "/fhir/Patient/ANNA",
      "/fhir/Patient/ａｎｎａ",
      "/fhir/Patient/anna%E2%80%8B",
      "/fhir/Patient/anna%20",
    ],
    ...[
      "/fhir/Patient/anna;x=1",
      "/fhir/Patient/anna.json",
      "/fhir/Patient/./anna",
      "/fhir/Patient/%61nna/%5fhistory/0x1",
      "/api/v1/../../fhir/Patient/anna",
    ],
    ...[
      "/api/v1//caseload",
      "/api/v1/caseload%00",
      "/api/v2/caseload",
      "/fhir/Patient/anna#",
      "/fhir/Patient/anna/_history/1/",
      "/fhir/Patient/anna/_history/-1",
    ],
  ])("%s is answered like what it says, and needs a token", async (url) => {
    const answer = await ask("GET", url);
    if (answer.statusCode === 200) expect(answer.json()).toMatchObject({ resourceType: "Patient", id: "anna" });
    const without = await here.app.inject({ method: "GET", url });
    expect([400, 401, 404]).toContain(without.statusCode);
  });
});
