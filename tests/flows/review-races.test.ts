import type { Task } from "@medplum/fhirtypes";
import fc from "fast-check";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { commitWrites } from "../../src/flows/commit-writes.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { type Database, inTenant, openDatabase } from "../../src/store/database.ts";
import { lockResources } from "../../src/store/resource.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { personWithCircuit, tasksOf, upload, usedEveryDay, useRecord } from "./person-with-circuit.ts";

// Real PostgreSQL throughout: what two transactions do to each other cannot be told from a stand-in.
let here: TestService;
let elsewhere: Database;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  // A second process has connections of its own.
  elsewhere = openDatabase(here.connectionString);
});

afterAll(async () => {
  await elsewhere.close();
  await here.close();
});

const review = (id: string, database: Database = here.database) =>
  reviewPatient({ ...here.service, database }, here.tenantId, id);

/** A row like the one of an open Task, under another id. */
const secondOpenRow = (id: string) =>
  inTenant(here.database, here.tenantId, (session) =>
    session.query(
      `insert into finding_task
       select (jsonb_populate_record(t, jsonb_build_object('task_id', t.task_id || '-twin', 'episode', 2))).*
       from finding_task t where t.tenant_id = $1 and t.patient_id = $2 and t.open`,
      [here.tenantId, id],
    ),
  );

describe("one open Task", () => {
  test("two reviews at once on connections of two processes leave one", async () => {
    await personWithCircuit(here, "two", "2026-04-01");
    await usedEveryDay(here, "two");
    await Promise.all([review("two"), review("two", elsewhere)]);
    expect((await tasksOf(here, "two")).map((task) => [task.status, task.meta?.versionId])).toEqual([
      ["requested", "1"],
    ]);
  });

  test("twelve reviews at once, while the evidence changes in between, leave one", async () => {
    await personWithCircuit(here, "many", "2026-04-01");
    await usedEveryDay(here, "many");
    const mixed = Array.from({ length: 12 }, (_, i) => review("many", i % 2 === 0 ? here.database : elsewhere));
    await Promise.all([...mixed, usedEveryDay(here, "many", ["13:00"])]);
    await review("many");
    expect((await tasksOf(here, "many")).filter((task) => task.status === "requested")).toHaveLength(1);
  });

  test("is what the database itself holds to: it refuses a second open row of the same rule and subject", async () => {
    await personWithCircuit(here, "index", "2026-04-01");
    await usedEveryDay(here, "index");
    await review("index");
    // 23505 is unique_violation (https://www.postgresql.org/docs/current/errcodes-appendix.html).
    await expect(secondOpenRow("index")).rejects.toMatchObject({ code: "23505", constraint: "finding_task_one_open" });
  });

  test("frees its place once it is closed, also as entered in error", async () => {
    await inTenant(here.database, here.tenantId, (session) =>
      session.query(
        "update finding_task set open = false, status = 'entered-in-error' where tenant_id = $1 and patient_id = 'index'",
        [here.tenantId],
      ),
    );
    await expect(secondOpenRow("index")).resolves.toBeDefined();
  });
});

test("a Task that somebody takes up while a review is about to close it stays theirs", async () => {
  await personWithCircuit(here, "taken", "2026-04-01");
  await usedEveryDay(here, "taken");
  await review("taken");
  await put(
    here,
    deviceUseStatement({
      id: "cu-taken",
      deviceId: "c-taken",
      patientId: "taken",
      start: "2026-04-01",
      end: "2026-06-08",
    }),
  );
  const [task] = await tasksOf(here, "taken");
  const reference = `Task/${task?.id}`;
  let reviewed: Promise<void> = Promise.resolve();
  await inTenant(elsewhere, here.tenantId, async (session) => {
    const current = new Map((await lockResources(session, [reference])).map((one) => [reference, one]));
    const [holder] = await session.query<{ pid: number }>("select pg_backend_pid() as pid", []);
    // The review reads the Task as nobody's, would close it, and waits for this lock.
    reviewed = review("taken");
    await expect.poll(() => someoneWaitsFor(holder?.pid), { timeout: 10_000 }).toBe(true);
    const resource = { ...task, status: "accepted" } as Task;
    await commitWrites(here.service, session, [{ type: "Task", id: task?.id ?? "", resource }], current);
  });
  await reviewed;
  const [after] = await tasksOf(here, "taken");
  expect([after?.status, after?.meta?.versionId, after?.note?.[0]?.text]).toEqual([
    "accepted",
    "3",
    "The finding has cleared.",
  ]);
});

/** Whether anybody waits for what the transaction of this server process holds. */
async function someoneWaitsFor(pid: number | undefined): Promise<boolean> {
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query("select 1 from pg_locks where not granted and $1::int = any(pg_blocking_pids(pid))", [pid]),
  );
  return rows.length > 0;
}

/** What a person's Tasks are after these uploads, each in a database of its own, with a review after those named. */
async function tasksAfter(order: readonly number[], reviewed: readonly boolean[]): Promise<Task[]> {
  const there = await testService("2026-06-10T12:00:00Z");
  try {
    const again = () => reviewPatient(there.service, there.tenantId, "one");
    await personWithCircuit(there, "one", "2026-04-01");
    // Each record knows a fourth of the days that were used, and those are half of all: a quarter of what is asked.
    const records = [0, 1, 2, 3].map((fourth) => useRecord(there, "one", ["08:00"], (day) => day % 8 === fourth * 2));
    for (const [place, index] of order.entries()) {
      await upload(there, records[index] ?? {});
      if (reviewed[place]) await again();
    }
    await again();
    await again();
    return await tasksOf(there, "one");
  } finally {
    await there.close();
  }
}

test("uploads in any order, repeated, with reviews in between or not, end in the same Tasks to the last letter", async () => {
  const text = (tasks: Task[]) => JSON.stringify(tasks.map(({ meta: _, ...task }) => task));
  const plain = await tasksAfter([0, 1, 2, 3], []);
  expect(plain.map((task) => task.code?.coding?.[0]?.code).sort()).toEqual(["low-use", "part-overdue"]);
  await fc.assert(
    fc.asyncProperty(
      fc.shuffledSubarray([0, 1, 2, 3, 0, 1, 2, 3], { minLength: 8 }),
      fc.array(fc.boolean(), { minLength: 8, maxLength: 8 }),
      async (order, reviewed) => {
        expect(text(await tasksAfter(order, reviewed))).toBe(text(plain));
      },
    ),
    { numRuns: 5 },
  );
});
