import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { afterAll, beforeAll, expect, test } from "vitest";
import { identifierSystems } from "../../src/fhir/terminology/canonical.ts";
import { testDatabase } from "../support/database.ts";
import { freePort, type RunningProcess, startProcess } from "../support/processes.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { eventNumbers, kindOf, subscription } from "../support/subscribing.ts";

// The real service in a process of its own, killed between the commit of an upload and the answer of the endpoint.
const token = "token-of-the-notifications";
let connectionString: string;
let drop: () => Promise<void>;
let folder: string;
let running: RunningProcess | undefined;
let receiver: Receiver;

beforeAll(async () => {
  ({ connectionString, drop } = await testDatabase());
  folder = await mkdtemp(join(tmpdir(), "tidegate-notify-"));
  receiver = await startReceiver();
});

afterAll(async () => {
  await running?.stop("SIGKILL");
  await receiver.close();
  await drop();
  await rm(folder, { recursive: true, force: true });
});

async function start(): Promise<RunningProcess> {
  const port = await freePort();
  const more = { NOTIFY_LOOPBACK: "on", NOTIFY_TIMEOUT_MS: "500" };
  running = await startProcess({
    connectionString,
    dataFolder: folder,
    token,
    role: "all",
    name: "notify",
    port,
    more,
  });
  return running;
}

async function call(method: string, path: string, body: unknown): Promise<number> {
  const type = path.startsWith("/fhir") ? "application/fhir+json" : "application/json";
  const headers = { authorization: `Bearer ${token}`, "content-type": type };
  const answer = await fetch(`${running?.origin}${path}`, { method, headers, body: JSON.stringify(body) });
  await answer.text();
  return answer.status;
}

const upload = (sessions: number, from: number) => ({
  format: "tidegate-use-record",
  version: 1,
  device: { serialNumber: "TOLD" },
  readAt: "2026-02-01T00:00:00Z",
  sessions: Array.from({ length: sessions }, (_, i) => ({
    sequenceNumber: from + i,
    start: `2026-01-${String(from + i).padStart(2, "0")}T08:00:00Z`,
    end: `2026-01-${String(from + i).padStart(2, "0")}T08:05:00Z`,
    cyclesDelivered: 5,
  })),
});

const told = () => receiver.arrived.filter(({ body }) => kindOf(body) === "event-notification");
const numbers = () => told().flatMap(({ body }) => eventNumbers(body));

async function until(holds: () => boolean): Promise<void> {
  for (let waited = 0; !holds() && waited < 40_000; waited += 50) await sleep(50);
  expect(holds()).toBe(true);
}

test("a process killed before its endpoint has answered loses no event, and tells again under the same number only", async () => {
  await start();
  for (const resource of [
    { resourceType: "Patient", id: "p" },
    { resourceType: "Device", id: "d", identifier: [{ system: identifierSystems.deviceSerial, value: "TOLD" }] },
    {
      resourceType: "DeviceUseStatement",
      id: "u",
      status: "active",
      subject: { reference: "Patient/p" },
      device: { reference: "Device/d" },
      timingPeriod: { start: "2025-12-01" },
    },
    subscription("board", receiver.url, { topic: "session-recorded", maxCount: 4 }),
  ])
    expect(await call("PUT", `/fhir/${resource.resourceType}/${resource.id}`, resource)).toBe(201);
  await until(() => receiver.arrived.length > 0);

  expect(await call("POST", "/api/v1/use-records", upload(10, 1))).toBe(200);
  await until(() => told().length >= 3);
  expect(numbers()).toEqual([1, 2, 3, 4, 5, 6, 7, 8, 9, 10]);

  // The endpoint takes the next one and says nothing; the process dies without having heard whether it was taken.
  receiver.answer = () => undefined;
  expect(await call("POST", "/api/v1/use-records", upload(6, 11))).toBe(200);
  await until(() => told().length >= 4);
  await running?.stop("SIGKILL");
  receiver.answer = () => 200;

  await start();
  await until(() => numbers().includes(16));
  const all = numbers();
  expect([...new Set(all)].sort((a, b) => a - b)).toEqual(Array.from({ length: 16 }, (_, i) => i + 1));
  // In their order, and what came twice was the notification that nobody had answered.
  const again = all.slice(10).filter((number, i, rest) => rest.indexOf(number) !== i);
  expect([...new Set(again)]).toEqual([11, 12, 13, 14]);
  const focusOf = (number: number) =>
    told().flatMap(({ body }) => {
      const at = eventNumbers(body).indexOf(number);
      return at < 0 ? [] : [[...body.matchAll(/Observation\/[\w.-]+/g)].map(([text]) => text)[at]];
    });
  expect(new Set(focusOf(11)).size).toBe(1);
}, 120_000);
