import type { AddressInfo } from "node:net";
import { setTimeout as sleep } from "node:timers/promises";
import { EventSource } from "eventsource";
import { afterAll, beforeAll, expect, test } from "vitest";
import { inTenant } from "../../src/store/database.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, testClient } from "../support/client.ts";
import { task } from "../support/subscribing.ts";

// Streams are read by a client of others, the npm package eventsource, as browsers would
// (https://html.spec.whatwg.org/multipage/server-sent-events.html).
let here: TestApp;
let origin: string;
const open: EventSource[] = [];

beforeAll(async () => {
  const streams = { most: 4, mostOfClient: 3, pollMs: 40, heartbeatMs: 100 };
  here = await testApp("2026-04-10T09:00:00Z", { streams });
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  origin = `http://127.0.0.1:${(here.app.server.address() as AddressInfo).port}`;
});
afterAll(async () => {
  for (const one of open) one.close();
  await here.close();
});

interface Heard {
  readonly topic: string;
  readonly id: string;
  readonly data: { readonly resource: string; readonly version: number };
}

/** Opens a stream and keeps what it hears. */
async function listen(options: { token?: string; topic?: string; after?: string } = {}) {
  const { token = here.token, topic, after } = options;
  const heard: Heard[] = [];
  const statuses: number[] = [];
  const source = new EventSource(`${origin}/api/v1/events${topic === undefined ? "" : `?topic=${topic}`}`, {
    fetch: async (url, init) => {
      const headers = { ...init.headers, authorization: `Bearer ${token}` };
      const given =
        after === undefined || "Last-Event-ID" in headers ? headers : { ...headers, "Last-Event-ID": after };
      const answer = await fetch(url, { ...init, headers: given });
      statuses.push(answer.status);
      return answer;
    },
  });
  open.push(source);
  for (const name of ["task-changed", "session-recorded", "safety-finding", "gap"]) {
    source.addEventListener(name, (event: MessageEvent) => {
      heard.push({ topic: name, id: event.lastEventId, data: JSON.parse(event.data) });
    });
  }
  await until(() => statuses.length > 0);
  return { source, heard, statuses };
}

async function until(holds: () => boolean, patienceMs = 4_000): Promise<void> {
  for (let waited = 0; !holds() && waited < patienceMs; waited += 20) await sleep(20);
}

const put = (id: string, token = here.token, more: object = {}) =>
  here.app.inject({
    method: "PUT",
    url: `/fhir/Task/${id}`,
    headers: { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" },
    payload: JSON.stringify(task(id, more)),
  });

test("events come as they happen, in order, with ids and nothing of what stands in the resources", async () => {
  const { source, heard } = await listen({ topic: "task-changed" });
  await put("t1", here.token, { description: "private words" });
  await put("t2");
  await put("t1", here.token, { status: "received" });
  await until(() => heard.length >= 3);
  expect(heard.map(({ topic, data }) => [topic, data.resource, data.version])).toEqual([
    ["task-changed", "Task/t1", 1],
    ["task-changed", "Task/t2", 1],
    ["task-changed", "Task/t1", 2],
  ]);
  expect(JSON.stringify(heard)).not.toContain("private");
  source.close();

  // Who comes back with the number of the last event gets those since, and none twice.
  await put("t3");
  const again = await listen({ topic: "task-changed", after: heard[1]?.id ?? "" });
  await until(() => again.heard.length >= 2);
  expect(again.heard.map(({ data }) => data.resource)).toEqual(["Task/t1", "Task/t3"]);
  again.source.close();
});

test("who comes back after nobody has listened for long is told that something may be missing", async () => {
  const { source, heard } = await listen({ topic: "task-changed" });
  await put("before-the-gap");
  await until(() => heard.length > 0);
  source.close();
  await inTenant(here.database, here.tenantId, (session) =>
    session.query("update event_head set watched_until = now() - interval '1 second' where tenant_id = $1", [
      session.tenantId,
    ]),
  );
  await put("missed");
  const again = await listen({ topic: "task-changed", after: heard[0]?.id ?? "" });
  await put("after-the-gap");
  await until(() => again.heard.length > 1);
  expect(again.heard.map(({ topic }) => topic)).toEqual(["gap", "task-changed"]);
  again.source.close();
});

test("another tenant's events stay with it", async () => {
  const { source, heard } = await listen({ token: here.strangersToken });
  await put("ours");
  await put("theirs", here.strangersToken);
  await until(() => heard.length > 0);
  await sleep(150);
  expect(heard.map(({ data }) => data.resource)).toEqual(["Task/theirs"]);
  source.close();
});

test("a client hears of what it may see, and its stream ends with its token", async () => {
  const scope = "system/Task.rs?status=completed tidegate/dashboard.r";
  const client = await testClient(here, "dashboard", { scope });
  const answer = await askForToken(here, await assertionOf(here, client), scope);
  const { access_token: token } = answer.json() as { access_token: string };
  const { source, heard, statuses } = await listen({ token });
  await put("hidden");
  await put("shown", here.token, { status: "completed" });
  await until(() => heard.length > 0);
  expect(heard.map(({ data }) => data.resource)).toEqual(["Task/shown"]);
  // Tokens last five minutes; the stream is asked about at its next heartbeat, and the client's next try is refused.
  here.clock.at += 6 * 60_000;
  await until(() => statuses.length > 1, 6_000);
  expect(statuses).toEqual([200, 401]);
  source.close();
});

test("the opening of a stream leaves one entry in the trail", async () => {
  const { source } = await listen();
  await here.trail.flush();
  const url = "/fhir/AuditEvent?_count=500";
  const found = await here.app.inject({ url, headers: { authorization: `Bearer ${here.token}` } });
  const routes = found.body.match(/\/api\/v1\/events/g) ?? [];
  expect(routes.length).toBeGreaterThan(0);
  source.close();
});

test("streams are bounded for each client, and their places come free again", async () => {
  await sleep(200);
  const three = await Promise.all([listen(), listen(), listen()]);
  const fourth = await listen();
  expect(fourth.statuses).toEqual([503]);
  for (const one of [...three, fourth]) one.source.close();
  await sleep(300);
  const later = await listen();
  expect(later.statuses).toEqual([200]);
  later.source.close();
});

test("a topic that does not exist is refused, with those that do", async () => {
  const url = "/api/v1/events?topic=weather";
  const answer = await here.app.inject({ url, headers: { authorization: `Bearer ${here.token}` } });
  expect(answer.statusCode).toBe(400);
  expect(answer.body).toContain("task-changed, session-recorded, safety-finding");
});

test("a process that closes ends its streams and waits for none", async () => {
  const { statuses } = await listen();
  expect(statuses).toEqual([200]);
  const before = Date.now();
  await here.app.close();
  expect(Date.now() - before).toBeLessThan(2_000);
});
