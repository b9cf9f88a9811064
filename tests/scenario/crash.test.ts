import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, expect, test } from "vitest";
import { identifierSystems } from "../../src/fhir/terminology/canonical.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { testDatabase } from "../support/database.ts";

const token = "token-of-the-crash-test";
let connectionString: string;
let drop: () => Promise<void>;
let folder: string;
let running: ChildProcess | undefined;

beforeAll(async () => {
  ({ connectionString, drop } = await testDatabase());
  folder = await mkdtemp(join(tmpdir(), "tidegate-crash-"));
});

afterAll(async () => {
  running?.kill("SIGKILL");
  await drop();
  await rm(folder, { recursive: true, force: true });
});

/** Starts the real service in a process of its own and answers its origin. */
async function start(): Promise<{ process: ChildProcess; origin: string }> {
  const child = spawn(process.execPath, ["src/main.ts"], {
    env: {
      PATH: process.env.PATH,
      PORT: "0",
      DATA_DIR: folder,
      DATABASE_URL: connectionString,
      ACCESS_TOKENS: `crash:${tokenHash(token)}`,
      LOG_LEVEL: "warn",
      DEMO: "off",
    },
    stdio: ["ignore", "pipe", "pipe"],
  });
  running = child;
  let said = "";
  return new Promise((resolve, reject) => {
    const hear = (chunk: Buffer) => {
      said += chunk.toString();
      const origin = /(http:\/\/127\.0\.0\.1:\d+)\/fhir/.exec(said)?.[1];
      if (origin !== undefined) resolve({ process: child, origin });
    };
    child.stdout?.on("data", hear);
    child.stderr?.on("data", hear);
    child.once("exit", (code) => reject(new Error(`the service ended with ${code} before it listened: ${said}`)));
  });
}

function call(origin: string, method: string, path: string, body?: unknown): Promise<Response> {
  return fetch(`${origin}${path}`, {
    method,
    headers: {
      authorization: `Bearer ${token}`,
      "content-type": path.startsWith("/fhir") ? "application/fhir+json" : "application/json",
    },
    ...(body === undefined ? {} : { body: JSON.stringify(body) }),
  });
}

/** An upload of its own for each number: twenty sessions on twenty mornings. */
function upload(number: number): unknown {
  const sessions = Array.from({ length: 20 }, (_, i) => {
    const day = new Date(Date.UTC(2026, 0, 1 + i)).toISOString().slice(0, 10);
    const minute = String(number % 60).padStart(2, "0");
    const hour = String(8 + Math.floor(number / 60)).padStart(2, "0");
    return {
      sequenceNumber: number * 20 + i,
      start: `${day}T${hour}:${minute}:00Z`,
      end: `${day}T${hour}:${minute}:30Z`,
      cyclesDelivered: 5,
    };
  });
  return {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: "CRASH" },
    readAt: "2026-02-01T00:00:00Z",
    sessions,
  };
}

async function countOf(origin: string, type: string): Promise<number> {
  const answer = await call(origin, "GET", `/fhir/${type}?_count=0`);
  return ((await answer.json()) as { total: number }).total;
}

test("killing the process amid uploads loses nothing acknowledged, and sending all again doubles nothing", async () => {
  const first = await start();
  const bundle = {
    resourceType: "Bundle",
    type: "transaction",
    entry: [
      { resourceType: "Patient", id: "p" },
      { resourceType: "Device", id: "d", identifier: [{ system: identifierSystems.deviceSerial, value: "CRASH" }] },
      {
        resourceType: "DeviceUseStatement",
        id: "u",
        status: "active",
        subject: { reference: "Patient/p" },
        device: { reference: "Device/d" },
        timingPeriod: { start: "2025-12-01" },
      },
    ].map((resource) => ({ resource, request: { method: "PUT", url: `${resource.resourceType}/${resource.id}` } })),
  };
  expect((await call(first.origin, "POST", "/fhir", bundle)).status).toBe(200);

  const acknowledged = new Set<number>();
  const uploads = Array.from({ length: 120 }, (_, number) => number);
  const sending = Promise.allSettled(
    [0, 1, 2].map(async (lane) => {
      for (const number of uploads.filter((one) => one % 3 === lane)) {
        const answer = await call(first.origin, "POST", "/api/v1/use-records", upload(number));
        if (answer.status === 200) acknowledged.add(number);
      }
    }),
  );
  while (acknowledged.size < 12) await new Promise((resolve) => setTimeout(resolve, 5));
  first.process.kill("SIGKILL");
  await sending;
  expect(acknowledged.size).toBeGreaterThanOrEqual(12);
  expect(acknowledged.size).toBeLessThan(uploads.length);

  const second = await start();
  const afterCrash = await countOf(second.origin, "Observation");
  // An upload is whole or not there at all, and none that was acknowledged is missing.
  expect(afterCrash % 20).toBe(0);
  expect(afterCrash).toBeGreaterThanOrEqual(acknowledged.size * 20);

  for (const number of uploads) {
    const answer = await call(second.origin, "POST", "/api/v1/use-records", upload(number));
    const report = (await answer.json()) as { created: number; unchanged: number };
    expect(report.created + report.unchanged).toBe(20);
    if (acknowledged.has(number)) expect(report.created).toBe(0);
  }
  expect(await countOf(second.origin, "Observation")).toBe(uploads.length * 20);
  expect(await countOf(second.origin, "DeviceUseStatement")).toBe(uploads.length * 20 + 1);

  second.process.kill("SIGTERM");
  const [code] = await once(second.process, "exit");
  expect(code).toBe(0);
}, 120_000);
