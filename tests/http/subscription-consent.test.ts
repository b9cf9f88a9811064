import { afterAll, beforeAll, beforeEach, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { changeClient } from "../../src/flows/client.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, keyPair, testClient } from "../support/client.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { put } from "../support/service.ts";
import { deliver, eventNumbers, kindOf, localSettings, subscription, task } from "../support/subscribing.ts";

// Consents stand between a record and whom it is shared with, and never between it and its own system (decision 7). Who writes a
// Subscription is of the latter, so this client was one, and was made a dashboard since: its Subscription goes on with its eyes of now.
let here: TestApp;
let receiver: Receiver;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z", { notifications: localSettings });
  receiver = await startReceiver();
  for (const id of ["anna", "bert", "cleo", "dora"])
    await put(here, patientResource({ id, family: `Family-${id}`, given: id }));
  const scope = "system/*.cruds";
  const client = await testClient(here, "integration", { scope, confidentiality: "V" });
  const answer = await askForToken(here, await assertionOf(here, client), scope);
  const { access_token: token } = answer.json() as { access_token: string };
  const plain = {
    resourceType: "Subscription",
    id: "plain",
    status: "requested",
    reason: "A test",
    criteria: "Task?status=requested",
    channel: { type: "rest-hook", endpoint: receiver.url, payload: "application/fhir+json" },
  };
  for (const one of [subscription("shared", receiver.url, { content: "full-resource", maxCount: 1 }), plain]) {
    const headers = { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" };
    const url = `/fhir/Subscription/${one.id}`;
    const sent = await here.app.inject({ method: "PUT", url, headers, payload: JSON.stringify(one) });
    expect(sent.statusCode, sent.body).toBe(201);
    await deliver(here, one.id);
  }
  const { jwk } = await keyPair();
  const given = { name: "A test", role: "dashboard", jwks: { keys: [jwk] }, scope: "system/*.rs" };
  const changed = await changeClient(here.service, here.tenantId, client.clientId, 1, given);
  expect(changed.ok).toBe(true);
});
beforeEach(() => {
  receiver.arrived.length = 0;
  receiver.answer = () => 200;
});
afterAll(async () => {
  await receiver.close();
  await here.close();
});

const about = (person: string, name: string, more: object = {}) =>
  task(name, { for: { reference: `Patient/${person}` }, description: `About ${person}`, ...more });
const denial = (person: string) => ({
  resourceType: "Consent",
  id: `consent-of-${person}`,
  status: "active",
  scope: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/consentscope", code: "patient-privacy" }] },
  category: [{ text: "Privacy" }],
  patient: { reference: `Patient/${person}` },
  policyRule: { text: "As the patient says" },
  provision: { type: "deny" },
});
const all = () => receiver.arrived.map(({ url, body }) => `${url} ${body}`).join("\n");
const numbers = () =>
  receiver.arrived
    .filter(({ body }) => body.includes('"Bundle"') && kindOf(body) === "event-notification")
    .flatMap(({ body }) => eventNumbers(body));

async function tellBoth(): Promise<void> {
  here.clock.at += 60_000;
  for (const id of ["shared", "plain"]) await deliver(here, id);
}

test("a client that a Consent denies a person is told nothing of them, and of others as before", async () => {
  await put(here, denial("anna") as never);
  await put(here, about("anna", "t-anna") as never, about("bert", "t-bert") as never);
  await tellBoth();
  expect(numbers()).toEqual([1]);
  expect(all()).toContain("/told/Task/t-bert");
  expect(all()).not.toContain("anna");
});

test("so it is where the Consent was recorded after the event, and before anybody looked at it", async () => {
  await put(here, about("cleo", "t-cleo") as never, about("bert", "t-bert-2") as never);
  await put(here, denial("cleo") as never);
  await tellBoth();
  expect(numbers()).toEqual([2]);
  expect(all()).toContain("t-bert-2");
  expect(all()).not.toContain("cleo");
});

test("so it is where the event had its number already, and waited: its number comes, and nothing else of it", async () => {
  // The first of the two is refused, so the second waits behind it.
  receiver.answer = () => 500;
  await put(here, about("bert", "t-bert-3") as never, about("dora", "t-dora") as never);
  await tellBoth();
  expect(all()).toContain("t-bert-3");
  expect(all()).not.toContain("dora");
  await put(here, denial("dora") as never);
  receiver.arrived.length = 0;
  receiver.answer = () => 200;
  await tellBoth();
  expect(numbers()).toEqual([3, 4]);
  expect(all()).not.toContain("dora");
  const last = receiver.arrived.find(({ body }) => body.includes('"valueString":"4"'))?.body ?? "";
  expect(last).toContain('"event-number"');
  expect(last).not.toContain('"focus"');
});

test("so it is with a label above its clearance that was put on while the event waited", async () => {
  receiver.answer = () => 500;
  await put(here, about("bert", "t-bert-4") as never, about("bert", "t-labelled") as never);
  await tellBoth();
  const security = [{ system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code: "R" }];
  await put(here, about("bert", "t-labelled", { meta: { security } }) as never);
  receiver.arrived.length = 0;
  receiver.answer = () => 200;
  await tellBoth();
  expect(numbers()).toEqual([5, 6]);
  expect(all()).toContain("t-bert-4");
  expect(all()).not.toContain("t-labelled");
});
