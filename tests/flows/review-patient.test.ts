import { randomUUID } from "node:crypto";
import type { Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { jobsOf, jobTimetable, queueReviewsByTime } from "../../src/flows/jobs.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { inTenant } from "../../src/store/database.ts";
import { startWorker } from "../../src/store/worker.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { changeTask, personWithCircuit, tasksOf, usedEveryDay } from "./person-with-circuit.ts";

const dayMs = 86_400_000;
let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

const person = (id: string, fitted?: string) => personWithCircuit(here, id, fitted);
const keepsUp = (id: string, sessionsADay?: readonly string[]) => usedEveryDay(here, id, sessionsADay);
const review = (id: string) => reviewPatient(here.service, here.tenantId, id);
const tasks = (id: string) => tasksOf(here, id);
const change = (task: Task & { id: string }, changes: Partial<Task>) => changeTask(here, task, changes);

const brief = (task: Task) => `${task.code?.coding?.[0]?.code} ${task.status}`;

test("nobody is troubled about a person who keeps up, and reviewing again changes nothing", async () => {
  await person("steady");
  await keepsUp("steady");
  await review("steady");
  await review("steady");
  expect(await tasks("steady")).toEqual([]);
});

test("mornings alone are half of what was asked: at the threshold no Task, one fewer and there is one", async () => {
  await person("half");
  await keepsUp("half", ["08:00"]);
  await review("half");
  expect((await tasks("half")).map(brief)).toEqual([]);
});

test("an overdue circuit raises one Task, however often it is reviewed, and fitting a new one closes it with its reason", async () => {
  await person("circuit", "2026-04-01");
  await keepsUp("circuit");
  await review("circuit");
  await review("circuit");
  const [task] = await tasks("circuit");
  expect(await tasks("circuit")).toHaveLength(1);
  expect(task?.description).toContain("not a monitor and not an alarm");
  expect(task?.restriction?.period?.end).toBeDefined();
  await put(
    here,
    deviceUseStatement({
      id: "cu-circuit",
      deviceId: "c-circuit",
      patientId: "circuit",
      start: "2026-04-01",
      end: "2026-06-09",
    }),
    partResource({ id: "c2-circuit", kind: "circuit", machineId: "m-circuit" }),
    deviceUseStatement({ id: "cu2-circuit", deviceId: "c2-circuit", patientId: "circuit", start: "2026-06-10" }),
  );
  await review("circuit");
  const [closed] = await tasks("circuit");
  expect(closed?.status).toBe("completed");
  expect(closed?.statusReason?.coding?.[0]?.code).toBe("cleared");
});

test("a Task that somebody has taken up keeps status, owner and note, and gets new evidence only", async () => {
  await person("taken", "2026-04-01");
  await keepsUp("taken", ["08:00"]);
  await put(
    here,
    contraindicationFlag({ id: "flag-taken", patientId: "taken", code: "pneumothorax", start: "2026-06-08T09:00:00Z" }),
  );
  await review("taken");
  const urgent = (await tasks("taken")).find((task) => task.code?.coding?.[0]?.code === "used-while-contraindicated");
  expect(urgent?.priority).toBe("urgent");
  await change(urgent as Task & { id: string }, {
    status: "in-progress",
    owner: { display: "Ward physiotherapist" },
    note: [{ text: "Calling now." }],
  });
  here.clock.at += dayMs;
  await keepsUp("taken", ["08:00", "19:00"]);
  await review("taken");
  const after = (await tasks("taken")).find((task) => task.id === urgent?.id);
  expect([after?.status, after?.owner?.display, after?.note?.[0]?.text]).toEqual([
    "in-progress",
    "Ward physiotherapist",
    "Calling now.",
  ]);
  expect(after?.description).not.toBe(urgent?.description);
  here.clock.at -= dayMs;
});

test("a person's refusal holds for the cool-down of 14 days, then the Task comes again as a new one", async () => {
  await person("refused", "2026-04-01");
  await keepsUp("refused");
  await review("refused");
  const [task] = await tasks("refused");
  await change(task as Task & { id: string }, { status: "rejected" });
  await review("refused");
  expect((await tasks("refused")).map(brief)).toEqual(["part-overdue rejected"]);
  const start = here.clock.at;
  here.clock.at = start + 14 * dayMs + 60_000;
  await keepsUp("refused");
  await review("refused");
  here.clock.at = start;
  expect((await tasks("refused")).map(brief)).toEqual(["part-overdue rejected", "part-overdue requested"]);
});

test("a safety finding is not held back by anybody's closing while it stands", async () => {
  await person("safety");
  await keepsUp("safety");
  await put(
    here,
    contraindicationFlag({ id: "flag-safety", patientId: "safety", code: "haemoptysis", start: "2026-06-09" }),
  );
  await review("safety");
  const hold = (await tasks("safety")).find((task) => task.code?.coding?.[0]?.code === "plan-needs-hold");
  await change(hold as Task & { id: string }, { status: "completed" });
  await review("safety");
  const holds = (await tasks("safety")).filter((task) => task.code?.coding?.[0]?.code === "plan-needs-hold");
  expect(holds.map((task) => task.status).sort()).toEqual(["completed", "requested"]);
});

test("the open Tasks of a record that is no longer used are closed as no longer applying", async () => {
  await person("left", "2026-04-01");
  await keepsUp("left");
  await review("left");
  const inactive = { ...patientResource({ id: "left", family: "left", given: "Given" }), active: false };
  await put(here, inactive);
  await review("left");
  const [task] = await tasks("left");
  expect([task?.status, task?.statusReason?.coding?.[0]?.code]).toEqual(["cancelled", "no-longer-applies"]);
});

test("eight reviews at once leave one Task", async () => {
  await person("crowd", "2026-04-01");
  await keepsUp("crowd");
  await Promise.all(Array.from({ length: 8 }, () => review("crowd")));
  expect((await tasks("crowd")).map(brief)).toEqual(["part-overdue requested"]);
});

test("every change of a Task by the service has its Provenance", async () => {
  await person("traced", "2026-04-01");
  await keepsUp("traced");
  await review("traced");
  const [task] = await tasks("traced");
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>("select body from resource where tenant_id = $1 and type = 'Provenance'", [
      here.tenantId,
    ]),
  );
  const ours = rows.map((row) => JSON.parse(row.body)).filter((one) => one.target[0].reference === `Task/${task?.id}`);
  expect(ours.map((one) => one.activity.coding[0].code)).toEqual(["task-raise"]);
});

test("the worker carries out what writes have queued, and a missed fortnight is found by time alone", async () => {
  await person("silent");
  await keepsUp("silent");
  const worker = await startWorker(here.connectionString, jobsOf(here.service), {
    concurrency: 2,
    timetable: jobTimetable,
    onLog: () => undefined,
  });
  try {
    const reviewed = () =>
      inTenant(here.database, here.tenantId, async (session) => {
        const rows = await session.query<{ reviewed_day: string }>(
          "select reviewed_day from patient_summary where tenant_id = $1 and patient_id = 'silent'",
          [here.tenantId],
        );
        return rows[0]?.reviewed_day;
      });
    await expect.poll(reviewed, { timeout: 20_000 }).toBe("2026-06-10");
    here.clock.at += 16 * dayMs;
    await queueReviewsByTime(here.service);
    await expect.poll(reviewed, { timeout: 20_000 }).toBe("2026-06-26");
    expect((await tasks("silent")).map(brief)).toContain("no-recent-record requested");
  } finally {
    await worker.stop();
    here.clock.at -= 16 * dayMs;
  }
});

test("ids of Tasks do not depend on chance: another database comes to the same ones", async () => {
  const raiseOne = async () => {
    await person("twin", "2026-04-01");
    await keepsUp("twin");
    await review("twin");
    return (await tasks("twin")).map((task) => task.id);
  };
  const ours = here;
  const first = await raiseOne();
  const there = await testService("2026-06-10T12:00:00Z");
  try {
    here = { ...there, service: { ...there.service, newId: () => randomUUID() } };
    expect(await raiseOne()).toEqual(first);
    expect(first).toHaveLength(1);
  } finally {
    here = ours;
    await there.close();
  }
});
