import { createHmac } from "node:crypto";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { changeClient } from "../../src/flows/client.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, keyPair, testClient } from "../support/client.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { deliver, eventNumbers, localSettings, subscription, task } from "../support/subscribing.ts";

let here: TestApp;
let receiver: Receiver;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { notifications: localSettings });
  receiver = await startReceiver();
});
afterAll(async () => {
  await receiver.close();
  await here.close();
});

function send(method: "GET" | "POST" | "PUT", url: string, body?: unknown, token = here.token) {
  const type = body === undefined ? {} : { "content-type": "application/fhir+json" };
  const headers = { authorization: `Bearer ${token}`, ...type };
  return here.app.inject({ method, url, headers, ...(body === undefined ? {} : { payload: JSON.stringify(body) }) });
}

async function clientWith(scope: string, confidentiality: "N" | "V" = "V") {
  const client = await testClient(here, "integration", { scope, confidentiality });
  const answer = await askForToken(here, await assertionOf(here, client), scope);
  return { client, token: (answer.json() as { access_token: string }).access_token };
}

async function change(clientId: string, wanted: { scope?: string; confidentiality?: string; disabled?: boolean }) {
  const { jwk } = await keyPair();
  const given = { name: "A test", role: "integration", jwks: { keys: [jwk] }, scope: "system/*.cruds", ...wanted };
  const changed = await changeClient(here.service, here.tenantId, clientId, 1, given);
  if (!changed.ok) throw new Error(JSON.stringify(changed.refusals));
}

const put = (one: { resourceType: string; id: string }, token?: string) =>
  send("PUT", `/fhir/${one.resourceType}/${one.id}`, one, token);
function newest() {
  const [one] = receiver.arrived.slice(-1);
  if (one === undefined) throw new Error("nothing has arrived");
  return one;
}
const bodies = () => receiver.arrived.map(({ body }) => body);

describe("what is not served is refused with what to do about it", () => {
  const plain = (criteria: string) => ({
    ...subscription("x", receiver.url),
    meta: { versionId: "1" },
    criteria,
    channel: { type: "rest-hook", endpoint: receiver.url },
  });
  test.each<[string, () => object, string]>([
    ["criteria of an unknown type", () => plain("Weather?code=rain"), "Subscription.criteria"],
    ["an unknown parameter", () => plain("Task?colour=red"), "Subscription.criteria"],
    ["a value that is none", () => plain("Task?authored-on=yesterday"), "Subscription.criteria"],
    [
      "a host that is not in the list",
      () => subscription("x", "https://a.example.org/in"),
      "Subscription.channel.endpoint",
    ],
    [
      "what a cloud tells of itself",
      () => subscription("x", "https://169.254.169.254/meta"),
      "Subscription.channel.endpoint",
    ],
    ["being active by itself", () => subscription("x", receiver.url, { status: "active" }), "Subscription.status"],
  ])("%s", async (_what, make, at) => {
    const answer = await put(make() as never);
    expect(answer.statusCode, answer.body).toBe(422);
    expect(answer.json().issue[0].expression).toEqual([at]);
    expect(answer.json().issue[0].diagnostics).toMatch(/\.$/);
  });
});

test("the metadata names the topics, the profile and both operations", async () => {
  const { rest } = (await send("GET", "/fhir/metadata")).json();
  const [declared] = rest[0].resource.filter(({ type }: { type: string }) => type === "Subscription");
  expect(declared.extension.map((one: { valueCanonical: string }) => one.valueCanonical)).toContain(
    "https://tidegate.example/fhir/SubscriptionTopic/session-recorded",
  );
  expect(declared.supportedProfile).toContain(
    "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription",
  );
  expect(declared.operation.map(({ name }: { name: string }) => name)).toEqual(
    expect.arrayContaining(["status", "events"]),
  );
});

test("the way of the documentation: off, secret, requested, active, status and events", async () => {
  expect((await put(subscription("way", receiver.url, { status: "off" }))).statusCode).toBe(201);
  const shown = await send("POST", "/api/v1/subscriptions/way/secret");
  const { secret } = shown.json() as { secret: string };
  expect((await put(subscription("way", receiver.url))).statusCode).toBe(200);
  await deliver(here, "way");
  const { headers, body } = newest();
  // HMAC-SHA256 as a receiver works it out.
  const signed = createHmac("sha256", Buffer.from(secret, "base64url")).update(
    `${headers["x-tidegate-timestamp"]}.${body}`,
  );
  expect(headers["x-tidegate-signature"]).toBe(`sha256=${signed.digest("hex")}`);
  await put(task("w1"));
  await put(task("w2"));
  await deliver(here, "way");
  const status = (await send("GET", "/fhir/Subscription/way/$status")).json();
  expect(status).toMatchObject({ type: "searchset", total: 1 });
  expect(JSON.stringify(status)).toContain('{"name":"events-since-subscription-start","valueString":"2"}');
  const all = (await send("GET", "/fhir/Subscription/$status?status=active")).json();
  expect(all.total).toBe(1);
  const events = await send("GET", "/fhir/Subscription/way/$events?eventsSinceNumber=2&content=full-resource");
  expect(eventNumbers(events.body)).toEqual([2]);
  expect(events.json().entry[1].resource.id).toBe("w2");
  expect((await send("GET", "/fhir/Subscription/way/$events?eventsSinceNumber=x")).statusCode).toBe(400);
});

describe("between clients and tenants", () => {
  test("what counts is what a client may see when it is told: labels, and its clearance of that moment", async () => {
    const { client, token } = await clientWith("system/*.cruds");
    await put(subscription("cleared", receiver.url, { content: "full-resource" }), token);
    await deliver(here, "cleared");
    const label = { system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code: "R" };
    await put(task("plain-one"));
    await put(task("labelled-one", { meta: { security: [label] } }));
    await change(client.clientId, { scope: "system/*.rs", confidentiality: "N" });
    await deliver(here, "cleared");
    expect(bodies().at(-1)).toContain("plain-one");
    expect(bodies().join()).not.toContain("labelled-one");
  });

  test("a client is told with its own scopes: a type that it may not read is refused", async () => {
    const { token } = await clientWith("system/Patient.rs system/Subscription.cru");
    const answer = await put(subscription("narrow", receiver.url), token);
    expect(answer.statusCode).toBe(403);
    expect(answer.json().issue[0].diagnostics).toContain("may not read Task");
  });

  test("who writes the Subscription of another is told with their own eyes, under a key of their own", async () => {
    const wide = await clientWith("system/*.cruds");
    const narrow = await clientWith("system/Task.rs?status=completed system/Subscription.cru");
    expect((await put(subscription("taken", receiver.url), wide.token)).statusCode).toBe(201);
    await deliver(here, "taken");
    const { secret } = (await send("POST", "/api/v1/subscriptions/taken/secret", undefined, wide.token)).json();
    expect((await send("POST", "/api/v1/subscriptions/taken/secret", undefined, narrow.token)).statusCode).toBe(404);
    expect((await put(subscription("taken", receiver.url), narrow.token)).statusCode).toBe(200);
    await deliver(here, "taken");
    const { headers, body } = newest();
    const signed = createHmac("sha256", Buffer.from(secret, "base64url")).update(
      `${headers["x-tidegate-timestamp"]}.${body}`,
    );
    expect(headers["x-tidegate-signature"]).not.toBe(`sha256=${signed.digest("hex")}`);
    await put(task("open-for-nobody"));
    await put(task("completed-for-all", { status: "completed" }));
    await deliver(here, "taken");
    expect(bodies().at(-1)).toContain("completed-for-all");
    expect(bodies().at(-1)).not.toContain("open-for-nobody");
  });

  test("another tenant sees, asks and is told nothing of it", async () => {
    const before = receiver.arrived.length;
    for (const path of ["way", "way/$events"])
      expect((await send("GET", `/fhir/Subscription/${path}`, undefined, here.strangersToken)).statusCode).toBe(404);
    const status = await send("GET", "/fhir/Subscription/way/$status", undefined, here.strangersToken);
    expect(status.json().total).toBe(0);
    await put(task("strange"), here.strangersToken);
    await deliver(here, "way");
    expect(bodies().slice(before).join()).not.toContain("strange");
  });

  test("a client that is disabled is told nothing more, and its Subscription is off", async () => {
    const { client, token } = await clientWith("system/*.cruds");
    await put(subscription("leaving", receiver.url), token);
    await deliver(here, "leaving");
    await change(client.clientId, { disabled: true });
    await put(task("after-leaving"));
    const before = receiver.arrived.length;
    await deliver(here, "leaving");
    expect(receiver.arrived).toHaveLength(before);
    expect((await send("GET", "/fhir/Subscription/leaving")).json()).toMatchObject({
      status: "off",
      error: "Its client is not registered any more, or was disabled.",
    });
  });
});
