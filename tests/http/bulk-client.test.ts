import { once } from "node:events";
import { request as httpRequest, type IncomingMessage } from "node:http";
import { setTimeout as sleep } from "node:timers/promises";
import { MedplumClient } from "@medplum/core";
import type { Patient } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { jobsOf } from "../../src/flows/jobs.ts";
import { startWorker, type Worker } from "../../src/store/worker.ts";
import { patient } from "../support/client-examples.ts";
import { onServer } from "../support/database.ts";
import { type ListeningApp, listeningApp } from "../support/listening-app.ts";

// A bulk client that others wrote, the one of @medplum/core, over HTTP against a worker: it begins by POST without a body, follows
// Content-Location, asks again each second, and downloads what the manifest names.
let here: ListeningApp;
let worker: Worker;
let ticking: NodeJS.Timeout;
let client: MedplumClient;

beforeAll(async () => {
  here = await listeningApp(new Date().toISOString());
  ticking = setInterval(() => {
    here.clock.at = Date.now();
  }, 20);
  worker = await startWorker(here.connectionString, jobsOf(here.service), {
    concurrency: 1,
    timetable: "",
    onLog: () => undefined,
  });
  client = new MedplumClient({
    baseUrl: `${here.origin}/`,
    fhirUrlPath: "fhir/",
    accessToken: here.token,
    fetch,
    cacheTime: 0,
    autoBatchTime: 0,
  });
});

/** Exports by waiting each second, and answers the address of the one file. */
async function exported(type: string): Promise<{ readonly url: string; readonly count: number }> {
  const polling = { pollStatusOnAccepted: true, pollStatusPeriod: 1_000 };
  const { output = [] } = await client.bulkExport("", type, undefined, polling);
  return output[0] as unknown as { url: string; count: number };
}

/** Reads the answer until so many bytes have come, and cuts the connection; whole where it is never cut. */
async function read(url: string, headers: Record<string, string>, cutAfter = Number.POSITIVE_INFINITY) {
  const asked = httpRequest(url, { headers: { authorization: `Bearer ${here.token}`, ...headers } }).end();
  const [answer] = (await once(asked, "response")) as [IncomingMessage];
  const pieces: Buffer[] = [];
  let bytes = 0;
  try {
    for await (const piece of answer as AsyncIterable<Buffer>) {
      pieces.push(piece);
      bytes += piece.length;
      if (bytes >= cutAfter) break;
    }
  } finally {
    asked.destroy();
  }
  return { status: answer.statusCode, etag: String(answer.headers.etag), bytes: Buffer.concat(pieces) };
}

afterAll(async () => {
  await worker.stop();
  clearInterval(ticking);
  await here.close();
});

test("the client of @medplum/core exports, waits, and downloads every resource as it was stored", async () => {
  const made = [await client.createResource(patient("First")), await client.createResource(patient("Second"))];
  const manifest = await client.bulkExport("Patient", "Patient,Observation", undefined, {
    pollStatusOnAccepted: true,
    pollStatusPeriod: 1_000,
  });
  expect(manifest.output?.map(({ type }) => type)).toEqual(["Patient"]);
  const [file] = manifest.output ?? [];
  const text = await (await client.download(file?.url ?? "")).text();
  const lines = text
    .split("\n")
    .slice(0, -1)
    .map((line) => JSON.parse(line) as Patient);
  const byId = (some: readonly Patient[]) => [...some].sort((a, b) => ((a.id ?? "") < (b.id ?? "") ? -1 : 1));
  expect(byId(lines)).toEqual(byId(made));
  expect(manifest.error).toEqual([]);
}, 20_000);

test("a download that is cut goes on by a range where it was, and has the same bytes", async () => {
  for (let batch = 0; batch < 4; batch += 1) {
    const entry = Array.from({ length: 250 }, (_, i) => ({
      resource: { resourceType: "Organization" as const, id: `o-${batch}-${i}`, name: `${i}`.padEnd(3_000, "x") },
      request: { method: "PUT" as const, url: `Organization/o-${batch}-${i}` },
    }));
    await client.executeBatch({ resourceType: "Bundle", type: "transaction", entry });
  }
  const { url, count } = await exported("Organization");
  expect(count).toBe(1_000);
  const plain = { "accept-encoding": "identity" };
  const whole = await read(url, plain);
  const cut = await read(url, plain, 100_000);
  expect(cut.bytes.length).toBeLessThan(whole.bytes.length);
  const from = cut.bytes.length;
  const rest = await read(url, { ...plain, range: `bytes=${from}-`, "if-range": cut.etag });
  expect(rest.status).toBe(206);
  expect(Buffer.concat([cut.bytes, rest.bytes]).equals(whole.bytes)).toBe(true);
}, 30_000);

test("an import that is cut while it arrives leaves nothing behind, and does not count among those that go on", async () => {
  const line = `${JSON.stringify({ resourceType: "Organization", id: "half-way", name: "x".repeat(5_000) })}\n`;
  const headers = {
    authorization: `Bearer ${here.token}`,
    "content-type": "application/fhir+ndjson",
    "content-length": String(line.length * 400),
  };
  const jobs = () =>
    onServer(here.connectionString, (one) => one.query("select job_id from bulk_job where kind = 'import'"));
  const sent = httpRequest(`${here.origin}/fhir/$import`, { method: "POST", headers });
  sent.on("error", () => undefined);
  for (let i = 0; i < 200; i += 1) sent.write(line);
  for (let waited = 0; (await jobs()).rows.length === 0 && waited < 5_000; waited += 20) await sleep(20);
  expect((await jobs()).rows).toHaveLength(1);
  sent.destroy();
  for (let waited = 0; (await jobs()).rows.length > 0 && waited < 5_000; waited += 20) await sleep(20);
  expect((await jobs()).rows).toEqual([]);
  expect((await read(`${here.origin}/fhir/Organization/half-way`, {})).status).toBe(404);
}, 20_000);
