import type { Consent, ConsentProvision } from "@medplum/fhirtypes";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { clientSystem } from "../../src/fhir/consent.ts";
import { rebuild } from "../../src/flows/rebuild.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, testClient, tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";
import { aboutPerson, answerAbout, ask, personOnRecord, servedTypes, tellsOf } from "./withheld.ts";

// Anna and Bert belong to a ward of a trust. What Anna consents to (https://hl7.org/fhir/R4/consent.html) differs from test to test.
let here: TestApp;
const tokens = { app: "", other: "", ward: "", trust: "", herself: "", integration: "" };
let appId = "";

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z", { types: servedTypes });
  await put(here, { resourceType: "Organization", id: "trust", name: "trust" } as never);
  for (const id of ["anna", "bert"]) await personOnRecord(here, id, "ward");
  const partOf = { reference: "Organization/trust" };
  await put(here, { resourceType: "Organization", id: "ward", name: "ward", partOf } as never);
  const app = await testClient(here, "dashboard");
  appId = app.clientId;
  const answer = await askForToken(here, await assertionOf(here, app));
  tokens.app = (answer.json() as { access_token: string }).access_token;
  tokens.other = await tokenFor(here, "dashboard");
  tokens.ward = await tokenFor(here, "dashboard", undefined, { organizationId: "ward" });
  tokens.trust = await tokenFor(here, "dashboard", undefined, { organizationId: "trust" });
  tokens.herself = await tokenFor(here, "dashboard", undefined, { patientId: "anna" });
  tokens.integration = await tokenFor(here, "integration");
});

afterAll(() => here.close());

const role = { coding: [{ system: "http://terminology.hl7.org/CodeSystem/v3-ParticipationType", code: "IRCP" }] };
const client = () => ({ role, reference: { identifier: { system: clientSystem, value: appId } } });
const organization = (id: string) => ({ role, reference: { reference: `Organization/${id}` } });
const ofType = (code: string) => ({ system: "http://hl7.org/fhir/resource-types", code });

async function consents(provision: ConsentProvision, changes: Partial<Consent> = {}): Promise<void> {
  await put(here, {
    resourceType: "Consent",
    id: "consent-of-a",
    status: "active",
    scope: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/consentscope", code: "patient-privacy" }] },
    category: [{ text: "Privacy" }],
    patient: { reference: "Patient/anna" },
    policyRule: { text: "As the patient says" },
    provision,
    ...changes,
  } as Consent & { id: string });
}

/** Which of the clients see Anna's Patient. */
async function whoSees(url = "/fhir/Patient/anna"): Promise<string[]> {
  const asked = Object.entries(tokens).map(async ([name, token]) =>
    (await ask(here, token, url)).statusCode === 200 ? [name] : [],
  );
  return (await Promise.all(asked)).flat();
}

const everybody = Object.keys(tokens);

describe("where a person denies everything", () => {
  beforeEach(() => consents({ type: "deny" }));

  test.each(aboutPerson("anna"))("a client that records are shared with learns nothing from %s", async (url) => {
    const all = await ask(here, here.token, url);
    expect([url, all.statusCode, tellsOf("anna", all.body)]).toEqual([url, 200, true]);
    for (const token of [tokens.app, tokens.ward, tokens.herself]) {
      const { statusCode, body } = await ask(here, token, url);
      expect(statusCode).toBeLessThan(500);
      expect(tellsOf("anna", body)).toBe(false);
    }
  });

  test.each(aboutPerson("anna"))("the hospital's own system sees as before at %s", async (url) => {
    const { statusCode, body } = await ask(here, tokens.integration, url);
    expect([url, statusCode, tellsOf("anna", body)]).toEqual([url, 200, true]);
  });

  test.each(aboutPerson("bert"))("others show as before at %s", async (url) => {
    const { statusCode, body } = await ask(here, tokens.app, url);
    expect([url, statusCode, tellsOf("bert", body)]).toEqual([url, 200, true]);
  });

  test.each([
    "/fhir/Patient/{id}",
    "/fhir/Patient/{id}/_history/1",
    "/fhir/Patient/{id}/$everything",
    "/fhir/Patient?_id={id}&_summary=count",
    "/fhir/Observation?subject=Patient/{id}&_total=accurate",
    "/fhir/Appointment/visit-{id}",
    "/api/v1/patients/{id}/days",
    "/api/v1/patients/{id}/review",
    "/fhir/Consent?patient={id}",
    "/fhir/Consent/consent-of-a",
  ])("nothing at %s tells that somebody denied it", async (url) => {
    const withheld = await answerAbout(here, tokens.app, url.replace("consent-of-a", "consent-of-{id}"), "anna");
    const nobodys = await answerAbout(here, tokens.app, url.replace("consent-of-a", "consent-of-{id}"), "nobody");
    expect(withheld).toEqual(nobodys);
  });

  test("care goes on: the service reviews as before", async () => {
    const tasks = async () =>
      (JSON.parse((await ask(here, here.token, "/fhir/Task?patient=anna&_total=accurate")).body) as { total: number })
        .total;
    const before = await tasks();
    await reviewPatient(here.service, here.tenantId, "anna");
    expect(before).toBeGreaterThan(0);
    expect(await tasks()).toBe(before);
  });

  test("a rebuild denies the same", async () => {
    await rebuild(here.service, { onProgress: () => undefined });
    expect(await whoSees()).toEqual(["integration"]);
  });

  test("and it is over when the Consent is deleted", async () => {
    expect(await whoSees()).toEqual(["integration"]);
    expect((await ask(here, here.token, "/fhir/Consent/consent-of-a", { method: "DELETE" })).statusCode).toBe(204);
    expect(await whoSees()).toEqual(everybody);
  });
});

describe("a Consent holds", () => {
  test.each<[string, ConsentProvision, Partial<Consent>, readonly string[]]>([
    ["not while it is a draft", { type: "deny" }, { status: "draft" }, everybody],
    ["not when it was rejected", { type: "deny" }, { status: "rejected" }, everybody],
    ["not when it is inactive", { type: "deny" }, { status: "inactive" }, everybody],
    ["not when it was an error", { type: "deny" }, { status: "entered-in-error" }, everybody],
    ["not when it permits", { type: "permit" }, {}, everybody],
    ["not before its period", { type: "deny", period: { start: "2026-06-11" } }, {}, everybody],
    ["not after it", { type: "deny", period: { end: "2026-06-09" } }, {}, everybody],
    ["not before it is given", { type: "deny" }, { dateTime: "2026-06-10T12:30:00Z" }, everybody],
    ["on its last day", { type: "deny", period: { start: "2026-06-01", end: "2026-06-10" } }, {}, ["integration"]],
  ])("%s", async (_when, provision, changes, seeing) => {
    await consents(provision, changes);
    expect(await whoSees()).toEqual(seeing);
  });

  test("until the very minute, with nobody writing anything", async () => {
    const start = here.clock.at;
    await consents({ type: "deny", period: { end: "2026-06-10T12:02:00Z" } });
    expect(await whoSees()).toEqual(["integration"]);
    here.clock.at = Date.parse("2026-06-10T12:01:59Z");
    expect(await whoSees()).toEqual(["integration"]);
    here.clock.at = Date.parse("2026-06-10T12:02:00Z");
    expect(await whoSees()).toEqual(everybody);
    here.clock.at = start;
  });
});

describe("actors", () => {
  const except = (...actor: ReturnType<typeof organization>[]): ConsentProvision => ({
    type: "deny",
    provision: [{ type: "permit", actor }],
  });

  test.each<[string, () => ConsentProvision, readonly string[]]>([
    [
      "a client is denied, and no other",
      () => ({ type: "deny", actor: [client()] }),
      everybody.filter((one) => one !== "app"),
    ],
    // What the trust sees of its ward it would see of her.
    [
      "a ward is denied, and the trust it belongs to",
      () => ({ type: "deny", actor: [organization("ward")] }),
      ["app", "other", "herself", "integration"],
    ],
    [
      "a trust is denied, and its wards",
      () => ({ type: "deny", actor: [organization("trust")] }),
      ["app", "other", "herself", "integration"],
    ],
    ["all but one client are", () => except(client() as never), ["app", "integration"]],
    ["all but a ward are, and not its whole trust", () => except(organization("ward")), ["ward", "integration"]],
    ["all but a trust are, with its wards", () => except(organization("trust")), ["ward", "trust", "integration"]],
    [
      "somebody unknown is denied, and so all are",
      () => ({ type: "deny", actor: [{ role, reference: { display: "My brother" } }] }),
      ["integration"],
    ],
    // The record's own system is not somebody whom it is shared with.
    [
      "a purpose is denied, and so all are",
      () => ({
        type: "deny",
        purpose: [{ code: "HRESCH", system: "http://terminology.hl7.org/CodeSystem/v3-ActReason" }],
      }),
      ["integration"],
    ],
  ])("%s", async (_what, provision, seeing) => {
    await consents(provision());
    expect(await whoSees()).toEqual(seeing);
  });
});

describe("classes", () => {
  const sees = async (url: string) => {
    const { statusCode, body } = await ask(here, tokens.app, url);
    return statusCode === 200 && tellsOf("anna", body);
  };

  test("a type is denied, and what is computed from it is not known", async () => {
    await consents({ type: "deny", class: [ofType("Observation")] });
    expect(await sees("/fhir/Patient/anna")).toBe(true);
    expect(await sees("/fhir/Task?patient=anna")).toBe(true);
    expect(await sees("/fhir/Observation?subject=Patient/anna")).toBe(false);
    expect(await sees("/fhir/Patient?_id=anna&_has:Observation:subject:status=final")).toBe(false);
    const { body } = await ask(here, tokens.app, "/api/v1/patients/anna/days");
    const { days } = JSON.parse(body) as { days: { state: string }[] };
    expect(new Set(days.map((day) => day.state))).toEqual(new Set(["unknown"]));
    const { rows } = JSON.parse((await ask(here, tokens.app, "/api/v1/caseload")).body) as {
      rows: { patientId: string; reviewedDay: string | null }[];
    };
    expect(rows.find((row) => row.patientId === "anna")).toMatchObject({ reviewedDay: null });
    expect(rows.find((row) => row.patientId === "bert")).toMatchObject({ reviewedDay: "2026-06-10" });
  });

  test("everything is denied but a type, or a type to one client", async () => {
    await consents({ type: "deny", provision: [{ type: "permit", class: [ofType("Patient")] }] });
    expect(await sees("/fhir/Patient/anna")).toBe(true);
    expect(await sees("/fhir/Task?patient=anna")).toBe(false);
    await consents({ type: "deny", provision: [{ type: "permit", actor: [client()], class: [ofType("Task")] }] });
    expect(await sees("/fhir/Patient/anna")).toBe(false);
    expect(await sees("/fhir/Task?patient=anna")).toBe(true);
    expect((await ask(here, tokens.other, "/fhir/Task?patient=anna&_total=accurate")).body).toContain('"total":0');
  });

  test("several rules hold together", async () => {
    await consents({
      type: "permit",
      provision: [
        { type: "deny", class: [ofType("Task")] },
        { type: "deny", actor: [organization("ward")] },
      ],
    });
    expect(await whoSees()).toEqual(["app", "other", "herself", "integration"]);
    expect(await sees("/fhir/Task?patient=anna")).toBe(false);
    expect(await sees("/fhir/Observation?subject=Patient/anna")).toBe(true);
  });
});
