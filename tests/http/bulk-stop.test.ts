import { afterAll, beforeAll, beforeEach, expect, test } from "vitest";
import { runBulk } from "../../src/flows/run-bulk.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { bulkClient } from "../support/bulk-client.ts";
import { onServer } from "../support/database.ts";
import { put } from "../support/service.ts";

// A process that is being stopped waits for no export or import: an orchestrator would kill it long before they end.
let here: TestApp;
let client: ReturnType<typeof bulkClient>;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  client = bulkClient(here);
});
beforeEach(() => {
  here.clock.at += 60_000;
});
afterAll(() => here.close());

const stopped = AbortSignal.abort();
const jobOf = (address: string) => address.split("/").at(-1) ?? "";
const organizations = (count: number) =>
  Array.from({ length: count }, (_, i) =>
    JSON.stringify({ resourceType: "Organization", id: `org-${i}`, name: `Organisation ${i}` }),
  ).join("\n");

async function progressOf(address: string): Promise<unknown> {
  here.clock.at += 1_000;
  const answer = await client.send("GET", address);
  expect(answer.statusCode).toBe(202);
  return answer.headers["x-progress"];
}

test("an import is left behind a batch, and another process goes on there at once", async () => {
  const headers = { "content-type": "application/fhir+ndjson" };
  const address = client.jobOf(await client.begin("/$import", headers, `${organizations(250)}\n`));
  await runBulk(here.service, here.tenantId, jobOf(address), stopped);
  const found = await here.app.inject({ url: "/fhir/Organization?_count=0", headers: here.headers });
  expect(found.json().total).toBe(100);
  expect(await progressOf(address)).toBe("waiting");
  const { counts } = await client.finish(address);
  expect(counts).toEqual({ stored: 250, unchanged: 0, refused: 0 });
  const history = await here.app.inject({ url: "/fhir/Organization/org-0/_history?_count=0", headers: here.headers });
  expect(history.json().total).toBe(1);
});

test("an export is left with the next piece, and another process makes it anew at once", async () => {
  const address = client.jobOf(await client.begin("/$export?_type=Organization"));
  await runBulk(here.service, here.tenantId, jobOf(address), stopped);
  expect(await progressOf(address)).toBe("waiting");
  const { output } = await client.finish(address);
  expect(output.map(({ type, count }) => [type, count])).toEqual([["Organization", 250]]);
  expect(new Set((await client.lines(output)).map(({ id }) => id)).size).toBe(250);
});

test("a job goes before reviews that were queued earlier", async () => {
  const kinds = async () => {
    const waiting = await onServer(here.connectionString, (one) =>
      one.query(
        `select t.identifier as kind from graphile_worker._private_jobs j join graphile_worker._private_tasks t on t.id = j.task_id
         where j.locked_at is null order by j.priority, j.run_at`,
      ),
    );
    return waiting.rows.map(({ kind }) => kind as string);
  };
  await onServer(here.connectionString, (one) => one.query("delete from graphile_worker._private_jobs"));
  await put(here, { resourceType: "Patient", id: "first-of-many" } as never);
  expect(await kinds()).toContain("review-patient");
  const address = client.jobOf(await client.begin("/$export?_type=Organization"));
  const [first] = await kinds();
  expect(first).toBe("run-bulk");
  await client.finish(address);
});
