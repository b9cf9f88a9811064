import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { EventSource } from "eventsource";
import { afterAll, beforeAll, expect, test } from "vitest";
import { type TestDatabase, testDatabase } from "../support/database.ts";
import { freePort, type RunningProcess, startProcess } from "../support/processes.ts";
import { task } from "../support/subscribing.ts";

// Two processes with doors and no worker on one database; a dashboard listens at one, is sent to the other, and misses nothing.
// The stream is read by the npm package eventsource, which sends Last-Event-ID when it comes back
// (https://html.spec.whatwg.org/multipage/server-sent-events.html#the-last-event-id-header).
const token = "token-of-the-event-streams";
let here: TestDatabase;
let folder: string;
let first: RunningProcess;
let second: RunningProcess;
const open: EventSource[] = [];

beforeAll(async () => {
  here = await testDatabase();
  folder = await mkdtemp(join(tmpdir(), "tidegate-streams-"));
  const { connectionString } = here;
  const start = async (name: string) => {
    const more = { DRAIN_SECONDS: "1" };
    const where = { connectionString, dataFolder: join(folder, name), token, port: await freePort() };
    return startProcess({ ...where, role: "api", name, more });
  };
  [first, second] = await Promise.all([start("first"), start("second")]);
}, 30_000);

afterAll(async () => {
  for (const one of open) one.close();
  await Promise.all([first, second].map((one) => one?.stop("SIGKILL")));
  await here.drop();
  await rm(folder, { recursive: true, force: true });
});

async function put(at: RunningProcess, id: string): Promise<void> {
  const headers = { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" };
  const answer = await fetch(`${at.origin}/fhir/Task/${id}`, {
    method: "PUT",
    headers,
    body: JSON.stringify(task(id)),
  });
  expect([200, 201]).toContain(answer.status);
  await answer.text();
}

/** Listens as a dashboard does, each time at the address that `origin` names then, as a balancer would lead it. */
function listen(origin: () => string, after?: string) {
  const heard: { readonly id: string; readonly resource: string }[] = [];
  const opened: string[] = [];
  const source = new EventSource("http://balancer.invalid/api/v1/events?topic=task-changed", {
    fetch: async (_url, init) => {
      const headers: Record<string, string> = { ...init.headers, authorization: `Bearer ${token}` };
      if (after !== undefined && headers["Last-Event-ID"] === undefined) headers["Last-Event-ID"] = after;
      opened.push(headers["Last-Event-ID"] ?? "");
      return fetch(`${origin()}/api/v1/events?topic=task-changed`, { ...init, headers });
    },
  });
  open.push(source);
  for (const name of ["task-changed", "gap"])
    source.addEventListener(name, ({ lastEventId, data }: MessageEvent) => {
      heard.push({ id: lastEventId, resource: (JSON.parse(data) as { resource?: string }).resource ?? name });
    });
  return { source, heard, opened, isOpen: () => source.readyState === source.OPEN };
}

async function until(holds: () => boolean): Promise<void> {
  for (let waited = 0; !holds() && waited < 15_000; waited += 25) await sleep(25);
  expect(holds()).toBe(true);
}

const names = (heard: readonly { readonly resource: string }[]) => heard.map(({ resource }) => resource);

test("who listens at one process hears what the other wrote, in one order for all", async () => {
  const atFirst = listen(() => first.origin);
  const atSecond = listen(() => second.origin);
  await until(() => atFirst.isOpen() && atSecond.isOpen());
  for (let i = 0; i < 6; i += 1) await put(i % 2 === 0 ? first : second, `both-${i}`);
  await until(() => atFirst.heard.length >= 6 && atSecond.heard.length >= 6);
  expect(names(atFirst.heard)).toEqual([0, 1, 2, 3, 4, 5].map((i) => `Task/both-${i}`));
  expect(atSecond.heard).toEqual(atFirst.heard);
  atFirst.source.close();
  atSecond.source.close();
}, 30_000);

test("many that write at both at once are heard of once each, under the same numbers at either", async () => {
  const atFirst = listen(() => first.origin);
  const atSecond = listen(() => second.origin);
  await until(() => atFirst.isOpen() && atSecond.isOpen());
  await Promise.all(Array.from({ length: 60 }, (_, i) => put(i % 2 === 0 ? first : second, `many-${i}`)));
  await until(() => atFirst.heard.length >= 60 && atSecond.heard.length >= 60);
  await sleep(1_500);
  expect(new Set(names(atFirst.heard)).size).toBe(60);
  expect(atFirst.heard).toHaveLength(60);
  expect(atSecond.heard).toEqual(atFirst.heard);
  atFirst.source.close();
  atSecond.source.close();
}, 30_000);

test("one whose process is stopped goes on at the other behind what it has heard, and misses nothing", async () => {
  let leadsTo = first;
  const dashboard = listen(() => leadsTo.origin);
  await until(dashboard.isOpen);
  await put(second, "before-1");
  await put(second, "before-2");
  await until(() => dashboard.heard.length >= 2);
  leadsTo = second;
  const stopped = first.stop("SIGTERM");
  for (let i = 0; i < 5; i += 1) {
    await put(second, `meanwhile-${i}`);
    await sleep(150);
  }
  expect(await stopped).toBe(0);
  await put(second, "after");
  await until(() => dashboard.heard.some(({ resource }) => resource === "Task/after"));
  const meanwhile = [0, 1, 2, 3, 4].map((i) => `Task/meanwhile-${i}`);
  expect(names(dashboard.heard)).toEqual(["Task/before-1", "Task/before-2", ...meanwhile, "Task/after"]);
  expect(dashboard.opened.length).toBeGreaterThan(1);

  // A dashboard that is opened anew with the number of an event from the other process gets those behind it.
  const again = listen(() => second.origin, dashboard.heard[1]?.id ?? "");
  await until(() => again.heard.length >= 6);
  expect(again.heard).toEqual(dashboard.heard.slice(2));
}, 40_000);
