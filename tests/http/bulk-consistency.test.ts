import { type ChildProcess, spawn } from "node:child_process";
import { setTimeout as sleep } from "node:timers/promises";
import { fileURLToPath } from "node:url";
import { Client } from "pg";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { runBulk } from "../../src/flows/run-bulk.ts";
import { inTenant } from "../../src/store/database.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { bulkClient } from "../support/bulk-client.ts";
import { put } from "../support/service.ts";

let here: TestApp;
let owner: Client;
let client: ReturnType<typeof bulkClient>;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  client = bulkClient(here);
  owner = new Client({ connectionString: here.connectionString });
  await owner.connect();
});
beforeEach(() => {
  here.clock.at += 60_000;
});
afterAll(async () => {
  await owner.end();
  await here.close();
});

const account = (id: string, amount: number, padding = "") =>
  ({
    resourceType: "Observation",
    id,
    status: "final",
    code: { text: "Amount" },
    valueInteger: amount,
    ...(padding === "" ? {} : { note: [{ text: padding }] }),
  }) as never;

describe("one moment", () => {
  // The law: amounts move between accounts, one transaction a move, so their sum is the same at every moment.
  test("the sum of what is moved about is the same in every export, whatever is written meanwhile", async () => {
    const accounts = 20;
    for (let i = 0; i < accounts; i += 1) await put(here, account(`account-${i}`, 100));
    let moving = true;
    const amounts = Array.from({ length: accounts }, () => 100);
    const move = async () => {
      for (let n = 0; moving; n += 1) {
        const [from, to] = [n % accounts, (n * 7 + 3) % accounts];
        if (from === to) continue;
        amounts[from] = (amounts[from] ?? 0) - 5;
        amounts[to] = (amounts[to] ?? 0) + 5;
        const entry = [from, to].map((i) => ({
          resource: account(`account-${i}`, amounts[i] ?? 0),
          request: { method: "PUT", url: `Observation/account-${i}` },
        }));
        const payload = JSON.stringify({ resourceType: "Bundle", type: "transaction", entry });
        const answer = await here.app.inject({ method: "POST", url: "/fhir", headers: here.headers, payload });
        expect(answer.statusCode).toBe(200);
      }
    };
    const movers = move();
    const sums: number[] = [];
    for (let i = 0; i < 5; i += 1) {
      const filter = "_typeFilter=Observation%3Fcode:text%3DAmount";
      const { output } = await client.export(`/$export?_type=Observation&${filter}`);
      const lines = (await client.lines(output)) as unknown as { valueInteger: number }[];
      expect(lines).toHaveLength(accounts);
      sums.push(lines.reduce((sum, { valueInteger }) => sum + valueInteger, 0));
    }
    moving = false;
    await movers;
    expect(sums).toEqual([2_000, 2_000, 2_000, 2_000, 2_000]);
  });

  // The guide: "SHALL include any matching resources modified up to and including this instant", the transactionTime.
  test("who was writing when it began is waited for, and who begins later is not", async () => {
    const { promise: held, resolve: commit } = Promise.withResolvers<void>();
    const { promise: holding, resolve: isHolding } = Promise.withResolvers<void>();
    const slow = inTenant(here.database, here.tenantId, async (session) => {
      await session.query("select 1");
      isHolding();
      await held;
    });
    await holding;
    const address = client.jobOf(await client.begin("/$export?_type=Organization"));
    const going = client.finish(address);
    let isDone = false;
    const done = going.then(() => {
      isDone = true;
    });
    await sleep(200);
    await put(here, { resourceType: "Organization", id: "quick", name: "Quick" } as never);
    expect(isDone).toBe(false);
    commit();
    await slow;
    await done;
    expect((await client.lines((await going).output)).map(({ id }) => id)).toContain("quick");
  });
});

function startWorkerProcess(): ChildProcess {
  const program = fileURLToPath(new URL("../support/bulk-worker.ts", import.meta.url));
  return spawn(process.execPath, [program, here.connectionString], { stdio: "inherit" });
}
async function until(condition: () => Promise<boolean>): Promise<void> {
  for (let tries = 0; tries < 600; tries += 1) {
    if (await condition()) return;
    await sleep(25);
  }
  throw new Error("it never came so far");
}
async function kill(worker: ChildProcess): Promise<void> {
  const ended = new Promise((resolve) => worker.once("exit", resolve));
  worker.kill("SIGKILL");
  await ended;
}
/** As if a minute had gone by without a sign of life. */
async function letTimePass(): Promise<void> {
  await owner.query("update bulk_job set heartbeat_at = '2000-01-01' where finished_at is null");
}
/** Lets a worker process work until a condition holds, then kills it. */
async function killedAfter(condition: () => Promise<boolean>): Promise<void> {
  const worker = startWorkerProcess();
  try {
    await until(condition);
  } finally {
    await kill(worker);
  }
}
const jobOf = (address: string) => address.split("/").at(-1) ?? "";

describe("a worker that is killed", () => {
  test("amid an import: another goes on behind the last batch, and nothing is done twice", async () => {
    const lines = Array.from({ length: 3_000 }, (_, i) =>
      JSON.stringify({ resourceType: "Organization", id: `org-${i}`, name: `Organisation ${i}` }),
    );
    const headers = { "content-type": "application/fhir+ndjson" };
    const address = client.jobOf(await client.begin("/$import", headers, `${lines.join("\n")}\n{"no": "type"}\n`));
    await killedAfter(async () => {
      const { rows } = await owner.query<{ place: string | null }>("select place from bulk_job where job_id = $1", [
        jobOf(address),
      ]);
      return (JSON.parse(rows[0]?.place ?? "{}") as { line?: number }).line !== undefined;
    });
    await letTimePass();
    const before = await countOf("org-%");
    expect(before).toBeGreaterThan(0);
    expect(before).toBeLessThan(3_000);
    const { counts, error } = await client.finish(address);
    expect(counts).toEqual({ stored: 3_000, unchanged: 0, refused: 1 });
    expect((await client.lines(error)).length).toBe(1);
    expect(await countOf("org-%")).toBe(3_000);
    const { rows } = await owner.query("select 1 from resource where id like 'org-%' and version > 1");
    expect(rows).toEqual([]);
  });

  test("amid an export: another makes it anew at a later moment, and nothing of the first is in it", async () => {
    const padding = "x".repeat(20_000);
    for (let i = 0; i < 120; i += 1) await put(here, account(`wide-${i}`, i, `${padding}${i}`));
    const address = client.jobOf(await client.begin("/$export?_type=Observation"));
    // Holds the worker where it has stored pieces and no file yet.
    await owner.query("begin; lock table bulk_file in share row exclusive mode");
    await killedAfter(async () => {
      const { rows } = await owner.query("select 1 from bulk_chunk where job_id = $1 limit 1", [jobOf(address)]);
      return rows.length > 0;
    }).finally(() => owner.query("commit"));
    await letTimePass();
    await put(here, account("wide-later", 1));
    await client.keepUp();
    const { output } = await client.finish(address);
    const ids = (await client.lines(output)).map(({ id }) => id).filter((id) => id.startsWith("wide-"));
    expect(ids.length).toBe(121);
    expect(new Set(ids).size).toBe(121);
    const { rows } = await owner.query("select distinct attempt from bulk_chunk where job_id = $1", [jobOf(address)]);
    expect(rows).toEqual([{ attempt: 2 }]);
  });

  test("while it still lives nobody else takes its job", async () => {
    const address = client.jobOf(await client.begin("/$export?_type=Group"));
    await owner.query("update bulk_job set state = 'running', attempt = 1, heartbeat_at = $2 where job_id = $1", [
      jobOf(address),
      new Date(here.clock.at).toISOString(),
    ]);
    await runBulk(here.service, here.tenantId, jobOf(address));
    const { rows } = await owner.query("select state, attempt from bulk_job where job_id = $1", [jobOf(address)]);
    expect(rows).toEqual([{ state: "running", attempt: 1 }]);
  });
});

async function countOf(pattern: string): Promise<number> {
  const { rows } = await owner.query<{ count: number }>(
    "select count(*)::int as count from resource where id like $1",
    [pattern],
  );
  return rows[0]?.count ?? -1;
}
