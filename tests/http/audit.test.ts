import type { AuditEvent, Bundle } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { trailPage } from "../../src/flows/audit-trail.ts";
import { jobsOf } from "../../src/flows/jobs.ts";
import { auditedJobs } from "../../src/flows/trail.ts";
import { routeNeeds } from "../../src/http/needs.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, testClient, tokenFor } from "../support/client.ts";
import { quietTrail } from "../support/quiet-trail.ts";

let here: TestApp;
let administrator: string;
let dashboard: string;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await personWithCircuit(here, "anna");
  await usedEveryDay(here, "anna");
  await personWithCircuit(here, "berta");
  administrator = await tokenFor(here, "administrator");
  dashboard = await tokenFor(here, "dashboard");
});

afterAll(() => here.close());

function send(method: string, url: string, options: { token?: string; body?: object; headers?: object } = {}) {
  return here.app.inject({
    method: method as "GET",
    url,
    headers: {
      authorization: `Bearer ${options.token ?? here.token}`,
      ...(options.body === undefined ? {} : { "content-type": "application/fhir+json" }),
      ...options.headers,
    },
    ...(options.body === undefined ? {} : { payload: JSON.stringify(options.body) }),
  });
}

/** Everything in a tenant's trail that one request left, oldest first. */
async function leftBy(requestId: string, tenantId = here.tenantId): Promise<AuditEvent[]> {
  await here.trail.flush();
  const { events } = await trailPage(here.service, tenantId, { count: 500, used: [] });
  return events
    .map((one) => JSON.parse(one.body) as AuditEvent)
    .filter((one) => one.entity?.some((entity) => entity.what?.identifier?.value === requestId))
    .reverse();
}

async function eventsOf(url: string): Promise<AuditEvent[]> {
  await here.trail.flush();
  const answer = await send("GET", url, { token: administrator });
  expect(answer.statusCode).toBe(200);
  return ((answer.json() as Bundle).entry ?? []).map((one) => one.resource as AuditEvent);
}

const referencesOf = (event: AuditEvent | undefined) =>
  (event?.entity ?? []).flatMap((one) => one.what?.reference ?? []).sort();

const flag = {
  resourceType: "Flag",
  status: "active",
  code: { text: "Call before visiting" },
  subject: { reference: "Patient/anna" },
};

describe("every request of every route leaves its mark, whatever becomes of it", () => {
  const filled = (url: string) =>
    url
      .replace(":type", "Task")
      // A stream goes on for long: tests/http/event-streams.test.ts has its entry.
      .replace(/events$/, "events?topic=none")
      .replace(":member", "Task")
      .replace(":version", "1")
      .replace(/:(id|patientId|planId|taskId|uploadId|clientId)/, "nobody");

  test.each(Object.keys(routeNeeds))("%s", async (route) => {
    const [method = "", path = ""] = route.split(" ");
    const id = route.replaceAll(/[^A-Za-z]/g, "-").slice(0, 60);
    const body = method === "GET" || method === "DELETE" ? {} : { body: { resourceType: "Parameters" } };
    const answer = await send(method, filled(path), { ...body, headers: { "x-request-id": id } });
    const [event, ...more] = await leftBy(id);
    // An upload is kept, judged and answered: what it wrote before it was refused was written.
    expect(more.length).toBeLessThanOrEqual(2);
    expect(event?.outcome).toBe(answer.statusCode < 400 || more.length > 0 ? "0" : "4");
    expect(event?.entity?.at(-1)?.name?.replace(/\/$/, "")).toBe(path);
    expect(checkResource({ ...here.service.definitions, has: () => true }, event)).toEqual([]);
  });
});

describe("what an event tells", () => {
  test("of a read: who, whom, and where from", async () => {
    await send("GET", "/fhir/Patient/anna", { token: dashboard, headers: { "x-request-id": "read" } });
    const [event] = await leftBy("read");
    expect(event).toMatchObject({
      type: { code: "rest" },
      subtype: [{ code: "read" }],
      action: "R",
      outcome: "0",
      recorded: "2026-06-10T12:00:00.000Z",
      agent: [{ name: "A test", requestor: true, network: { address: "127.0.0.1", type: "2" } }],
    });
    expect(referencesOf(event)).toEqual(["Patient/anna"]);
  });

  test("of a search: what was asked, and everybody whom the answer showed, includes among them", async () => {
    const query = "_id=cu-anna,cu-berta&_include=DeviceUseStatement:patient";
    await send("GET", `/fhir/DeviceUseStatement?${query}`, { headers: { "x-request-id": "search" } });
    const [event] = await leftBy("search");
    expect(event).toMatchObject({ action: "E", subtype: [{ code: "search" }] });
    expect(referencesOf(event)).toEqual(["Patient/anna", "Patient/berta"]);
    const sent = event?.entity?.flatMap((one) => one.query ?? [])[0] ?? "";
    expect(Buffer.from(sent, "base64").toString()).toBe(query);
  });

  test("of a search by a form: what the form held", async () => {
    await here.app.inject({
      method: "POST",
      url: "/fhir/Patient/_search",
      headers: {
        authorization: `Bearer ${here.token}`,
        "content-type": "application/x-www-form-urlencoded",
        "x-request-id": "form",
      },
      payload: "_id=anna",
    });
    const [event] = await leftBy("form");
    expect(Buffer.from(event?.entity?.flatMap((one) => one.query ?? [])[0] ?? "", "base64").toString()).toBe(
      "_id=anna",
    );
    expect(referencesOf(event)).toEqual(["Patient/anna"]);
  });

  test("of a dashboard's page: everybody on it", async () => {
    await send("GET", "/api/v1/caseload", { token: dashboard, headers: { "x-request-id": "caseload" } });
    const [event] = await leftBy("caseload");
    expect(event?.type.code).toBe("110110");
    expect(referencesOf(event)).toEqual(["Patient/anna", "Patient/berta"]);
  });

  test("of everything about a person: an export", async () => {
    await send("GET", "/fhir/Patient/anna/$everything?_count=5", { headers: { "x-request-id": "all" } });
    const [event] = await leftBy("all");
    expect(event?.type.code).toBe("110106");
    expect(referencesOf(event)).toContain("Patient/anna");
  });

  test("of an update that creates: that it created; then updated; then deleted", async () => {
    for (const [id, method] of [
      ["one", "PUT"],
      ["two", "PUT"],
      ["three", "DELETE"],
    ] as const) {
      // biome-ignore format: three deeds
      const body = method === "PUT" ? { body: { ...flag, id: "call" } } : {};
      await send(method, "/fhir/Flag/call", { ...body, headers: { "x-request-id": id } });
    }
    const events = [await leftBy("one"), await leftBy("two"), await leftBy("three")].map(([event]) => event);
    expect(events.map((event) => event?.action)).toEqual(["C", "U", "D"]);
    for (const event of events) expect(referencesOf(event)).toEqual(["Flag/call", "Patient/anna"]);
  });

  test("of a transaction: each resource that it wrote", async () => {
    const entry = ["t1", "t2"].map((id) => ({
      resource: { ...flag, id },
      request: { method: "PUT", url: `Flag/${id}` },
    }));
    const bundle = { resourceType: "Bundle", type: "transaction", entry };
    await send("POST", "/fhir", { body: bundle, headers: { "x-request-id": "bundle" } });
    const events = await leftBy("bundle");
    expect(events).toHaveLength(1);
    expect(events[0]?.action).toBe("E");
    expect(referencesOf(events[0])).toEqual(["Flag/t1", "Flag/t2", "Patient/anna"]);
  });

  test("of a transaction that reads as well: whom its answer shows besides", async () => {
    const entry = [
      { resource: { ...flag, id: "t3" }, request: { method: "PUT", url: "Flag/t3" } },
      { request: { method: "GET", url: "Patient/berta" } },
    ];
    const bundle = { resourceType: "Bundle", type: "transaction", entry };
    const headers = { "x-request-id": "mixed", prefer: "return=representation" };
    expect((await send("POST", "/fhir", { body: bundle, headers })).body).toContain("berta");
    const people = (await leftBy("mixed")).flatMap(referencesOf);
    expect(people).toEqual(expect.arrayContaining(["Flag/t3", "Patient/anna", "Patient/berta"]));
  });

  test("of a create on a condition that finds: whom it found", async () => {
    const headers = { "x-request-id": "found", "if-none-exist": "_id=t3" };
    expect((await send("POST", "/fhir/Flag", { body: flag, headers })).statusCode).toBe(200);
    expect((await leftBy("found")).flatMap(referencesOf)).toContain("Patient/anna");
  });

  test("of a refusal: who tried it on whom, and with what it was answered", async () => {
    await send("GET", "/fhir/Patient/anna", { token: administrator, headers: { "x-request-id": "refused" } });
    const [event] = await leftBy("refused");
    expect(event).toMatchObject({ outcome: "4", outcomeDesc: "Answered with 403." });
    expect(referencesOf(event)).toEqual(["Patient/anna"]);
  });

  test("of a token: its client; of one that was refused as well", async () => {
    const client = await testClient(here, "dashboard", { name: "Ward screen" });
    const assertion = await assertionOf(here, client);
    await askForToken(here, assertion);
    await askForToken(here, assertion);
    const events = await eventsOf(`/fhir/AuditEvent?agent:identifier=${client.clientId}`);
    expect(events.map((one) => [one.type.code, one.outcome])).toEqual([
      ["110114", "4"],
      ["110114", "0"],
    ]);
    expect(events[1]?.agent[0]?.name).toBe("Ward screen");
  });

  test("of strangers: in the trail of no tenant", async () => {
    await send("GET", "/fhir/Patient/anna", { token: "none", headers: { "x-request-id": "stranger" } });
    expect(await leftBy("stranger")).toEqual([]);
    expect(await leftBy("stranger", 0)).toMatchObject([{ outcome: "4", agent: [{ name: "Unknown client" }] }]);
  });

  test("of the service's own reviews: the Tasks that they raise", async () => {
    const service = auditedJobs(here.service, quietTrail);
    const payload = { tenantId: here.tenantId, patientId: "berta" };
    await jobsOf(service)["review-patient"]?.(payload);
    const [event] = await eventsOf("/fhir/AuditEvent?agent:identifier=jobs");
    expect(referencesOf(event)).toContain("Patient/berta");
    expect(referencesOf(event).some((one) => one.startsWith("Task/"))).toBe(true);
  });
});

test("a batch leaves a mark of its own and one of each entry", async () => {
  const entry = ["Patient/anna", "Patient/berta"].map((url) => ({ request: { method: "GET", url } }));
  const batch = { resourceType: "Bundle", type: "batch", entry };
  await send("POST", "/fhir", { body: batch, headers: { "x-request-id": "batch" } });
  const events = await leftBy("batch");
  expect(events.map((one) => one.action)).toEqual(["R", "R", "E"]);
});

test("a write that is rolled back leaves the refusal and nothing else", async () => {
  const dangling = { ...flag, subject: { reference: "Patient/nobody-here" } };
  const answer = await send("POST", "/fhir/Flag", { body: dangling, headers: { "x-request-id": "rolled" } });
  expect(answer.statusCode).toBeGreaterThanOrEqual(400);
  expect((await leftBy("rolled")).map((one) => one.outcome)).toEqual(["4"]);
});
