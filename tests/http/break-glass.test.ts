import type { Consent } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";
import { aboutPerson, ask, confidential, personOnRecord, servedTypes, tellsOf } from "./withheld.ts";

// Anna denies everything, and her record is very restricted besides; Bert is in another hospital.
let here: TestApp;
const scopes = "system/*.rs system/Task.u tidegate/dashboard.r";
const tokens = { glass: "", plain: "", types: "", ward: "", other: "", integration: "" };
const reason = "Unconscious in the emergency room, settings needed";

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z", { types: servedTypes });
  await personOnRecord(here, "anna", "ward");
  await personOnRecord(here, "bert", "other");
  const denial = { resourceType: "Consent", id: "no", status: "active", provision: { type: "deny" } } as const;
  await put(
    here,
    {
      ...denial,
      scope: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/consentscope", code: "patient-privacy" }] },
      category: [{ text: "Privacy" }],
      patient: { reference: "Patient/anna" },
      policyRule: { text: "As the patient says" },
    } as Consent & { id: string },
    {
      ...(JSON.parse((await ask(here, here.token, "/fhir/Patient/anna")).body) as { resourceType: string; id: string }),
      ...confidential("V"),
    },
  );
  const glass = `${scopes} tidegate/break-glass.c`;
  tokens.glass = await tokenFor(here, "dashboard", glass);
  tokens.plain = await tokenFor(here, "dashboard");
  tokens.types = await tokenFor(here, "dashboard", "system/Observation.rs tidegate/break-glass.c");
  tokens.ward = await tokenFor(here, "dashboard", "system/*.rs tidegate/dashboard.r tidegate/break-glass.c", {
    organizationId: "ward",
  });
  tokens.other = await tokenFor(here, "dashboard", "system/*.rs tidegate/dashboard.r tidegate/break-glass.c", {
    organizationId: "other",
  });
  tokens.integration = await tokenFor(here, "integration", "system/*.cruds tidegate/break-glass.c");
});

afterAll(() => here.close());

const broken = (text = reason) => ({ headers: { "break-glass": text } });

describe("whoever breaks the glass", () => {
  test.each(aboutPerson("anna"))("sees what is withheld at %s, for this request alone", async (url) => {
    const first = await ask(here, tokens.glass, url);
    expect(tellsOf("anna", first.body)).toBe(false);
    const { statusCode, body } = await ask(here, tokens.glass, url, broken());
    expect([url, statusCode, tellsOf("anna", body)]).toEqual([url, 200, true]);
    expect((await ask(here, tokens.glass, url)).body.length).toBe(first.body.length);
  });

  test("sees it by a form and in Bundles that read", async () => {
    const form = { "content-type": "application/x-www-form-urlencoded", ...broken().headers };
    const search = await ask(here, tokens.glass, "/fhir/Patient/_search", {
      method: "POST",
      payload: "family=anna",
      headers: form,
    });
    expect(tellsOf("anna", search.body)).toBe(true);
    for (const type of ["batch", "transaction"]) {
      const entry = [
        { request: { method: "GET", url: "Patient/anna" } },
        { request: { method: "GET", url: "Observation?subject=Patient/anna&_count=1" } },
      ];
      const payload = { resourceType: "Bundle", type, entry };
      const { statusCode, body } = await ask(here, tokens.glass, "/fhir", { method: "POST", payload, ...broken() });
      const answers = (
        JSON.parse(body) as { entry: { response: { status: string }; resource: { id?: string; entry?: unknown[] } }[] }
      ).entry;
      expect([statusCode, answers.map((one) => one.response.status)]).toEqual([200, ["200 OK", "200 OK"]]);
      expect([answers[0]?.resource.id, answers[1]?.resource.entry?.length]).toEqual(["anna", 1]);
    }
  });

  test("sees no type that its scopes do not name", async () => {
    expect((await ask(here, tokens.types, "/fhir/Patient/anna", broken())).statusCode).toBe(403);
    const url = "/fhir/Observation?subject=Patient/anna&_include=Observation:subject";
    const { body } = await ask(here, tokens.types, url, broken());
    expect(body).toContain('"resourceType":"Observation"');
    expect(body).not.toContain('"resourceType":"Patient"');
  });

  test("sees nobody whom it is not bound to, and no other tenant", async () => {
    expect((await ask(here, tokens.ward, "/fhir/Patient/anna", broken())).statusCode).toBe(200);
    expect((await ask(here, tokens.ward, "/fhir/Patient/bert", broken())).statusCode).toBe(404);
    expect((await ask(here, tokens.other, "/fhir/Patient/anna", broken())).statusCode).toBe(404);
    expect((await ask(here, here.strangersToken, "/fhir/Patient/anna", broken())).statusCode).toBe(404);
  });

  test("may read where nothing was withheld either", async () => {
    for (const url of ["/fhir/Patient/bert", "/api/v1/thresholds"]) {
      expect((await ask(here, here.token, url, broken())).statusCode).toBe(200);
    }
  });
});

describe("the glass is not broken", () => {
  const refusal = (body: string) =>
    (JSON.parse(body) as { issue: { code: string; details?: { text: string }; diagnostics?: string }[] }).issue[0];

  test("without the scope, which nobody has who did not ask for it", async () => {
    for (const url of ["/fhir/Patient/anna", "/fhir/Patient/bert", "/fhir/Patient/nobody", "/api/v1/caseload"]) {
      const { statusCode, body } = await ask(here, tokens.plain, url, broken());
      expect([statusCode, refusal(body)?.code]).toEqual([403, "forbidden"]);
      expect(body).toContain("tidegate/break-glass.c");
    }
  });

  test.each([
    ["nothing", ""],
    ["blanks", " ".repeat(20)],
    ["nine characters", "a".repeat(9)],
    ["nine characters between blanks", `   ${"a".repeat(9)}   `],
    ["501 characters", "a".repeat(501)],
  ])("with a reason of %s", async (_what, text) => {
    const { statusCode, body } = await ask(here, tokens.glass, "/fhir/Patient/anna", broken(text));
    expect([statusCode, refusal(body)?.code]).toEqual([400, "value"]);
  });

  test.each([
    ["ten", "a".repeat(10)],
    ["500", "a".repeat(500)],
    // RFC 9110, 5.5: other than ASCII travels as bytes that nobody has named; these are UTF-8.
    ["500, of which many take two bytes", Buffer.from("ü".repeat(500), "utf8").toString("latin1")],
  ])("but with a reason of %s characters it is", async (_what, text) => {
    expect((await ask(here, tokens.glass, "/fhir/Patient/anna", broken(text))).statusCode).toBe(200);
  });

  test.each([
    ["PUT", "/fhir/Task/x", { resourceType: "Task", id: "x", status: "draft", intent: "order" }],
    ["POST", "/fhir/Basic", { resourceType: "Basic", code: { text: "x" } }],
    ["PATCH", "/fhir/Patient/anna", [{ op: "add", path: "/active", value: false }]],
    ["DELETE", "/fhir/Patient/anna", undefined],
    ["POST", "/fhir/Patient/anna/$meta-delete", { resourceType: "Parameters" }],
  ] as const)("by a request that writes: %s %s", async (method, url, payload) => {
    const { statusCode, body } = await ask(here, tokens.integration, url, { method, payload, ...broken() });
    expect([statusCode, refusal(body)?.code]).toEqual([400, "not-supported"]);
    expect((await ask(here, here.token, "/fhir/Patient/anna")).statusCode).toBe(200);
  });

  test("by entries that write", async () => {
    const entry = [
      { request: { method: "GET", url: "Patient/anna" } },
      { resource: { resourceType: "Basic", code: { text: "x" } }, request: { method: "POST", url: "Basic" } },
    ];
    const send = (type: string) =>
      ask(here, tokens.integration, "/fhir", {
        method: "POST",
        payload: { resourceType: "Bundle", type, entry },
        ...broken(),
      });
    const transaction = await send("transaction");
    expect([transaction.statusCode, refusal(transaction.body)]).toMatchObject([
      400,
      { expression: ["Bundle.entry[1].request"] },
    ]);
    const batch = JSON.parse((await send("batch")).body) as { entry: { response: { status: string } }[] };
    expect(batch.entry.map((one) => one.response.status.slice(0, 3))).toEqual(["200", "400"]);
    expect((await ask(here, here.token, "/fhir/Basic?_summary=count")).body).toContain('"total":2');
  });
});
