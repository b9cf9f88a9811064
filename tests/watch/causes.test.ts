import { afterAll, beforeAll, expect, test } from "vitest";
import { causeOf } from "../../src/flows/cause.ts";
import { jobsOf } from "../../src/flows/jobs.ts";
import { auditedJobs } from "../../src/flows/trail.ts";
import { watchedJobs } from "../../src/watch/watched-jobs.ts";
import { personWithCircuit, tasksOf, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { onServer } from "../support/database.ts";
import { memoryLog } from "../support/memory-log.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await personWithCircuit(here, "ada", "2026-04-01");
  await usedEveryDay(here, "ada");
});

afterAll(() => here.close());

const payloads = async (key: string) =>
  (
    await onServer(here.connectionString, (client) =>
      client.query<{ payload: unknown }>("select payload from graphile_worker._private_jobs where key like $1", [key]),
    )
  ).rows.map(({ payload }) => payload);

test("a job names the request that it follows from; what nobody asked for by a request names none", async () => {
  expect((await payloads("review:%")).map(causeOf)).toEqual([undefined]);
  const headers = { ...here.headers, "x-request-id": "asked-7" };
  await here.app.inject({
    method: "PATCH",
    url: "/fhir/Patient/ada",
    headers: { ...headers, "content-type": "application/json-patch+json" },
    payload: JSON.stringify([{ op: "add", path: "/language", value: "en" }]),
  });
  expect((await payloads("review:%")).map(causeOf)).toEqual([{ requestId: "asked-7" }]);
});

test("the Tasks that the job writes stand in the trail beside the request that caused them", async () => {
  const [payload] = await payloads("review:%");
  await jobsOf(auditedJobs(here.service, here.trail))["review-patient"]?.(payload);
  expect((await tasksOf(here, "ada")).length).toBeGreaterThan(0);
  await here.trail.flush();
  const entries = await onServer(here.connectionString, (client) =>
    client.query<{ entities: string[] }>(
      "select entities from audit_entry where client_id = 'jobs' and request_id = 'asked-7'",
    ),
  );
  expect(entries.rows.flatMap(({ entities }) => entities).join()).toContain("Task/");
});

test("a job that fails is logged with its request and without the error's words, and fails still", async () => {
  const log = memoryLog("info");
  const failing = async () => {
    throw new Error("Fernleighton");
  };
  const jobs = watchedJobs({ broken: failing }, log.logger, []);
  await expect(jobs.broken?.({ cause: "asked-8" })).rejects.toThrow("Fernleighton");
  const [line = ""] = log.lines();
  expect(JSON.parse(line)).toMatchObject({ level: 50, job: "broken", reqId: "asked-8" });
  expect(line).not.toContain("Fernleighton");
});
