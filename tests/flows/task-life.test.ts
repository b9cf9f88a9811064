import type { Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { identifierSystems } from "../../src/fhir/terminology/canonical.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { queueReviewsByTime } from "../../src/flows/jobs.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { reviewUnmatched } from "../../src/flows/review-unmatched.ts";
import { inTenant } from "../../src/store/database.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { changeTask, personWithCircuit, tasksOf, upload, usedEveryDay, useRecord } from "./person-with-circuit.ts";

const dayMs = 86_400_000;
const waitingIdentifier = `${identifierSystems.deviceSerial}|s-stranger`;
const start = Date.parse("2026-06-10T12:00:00Z");
let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
});

beforeEach(() => {
  here.clock.at = start;
});

afterAll(() => here.close());

/** Somebody whose circuit is long overdue, reviewed once: one Task of routine priority, due in 7 days. */
async function raised(id: string): Promise<void> {
  await personWithCircuit(here, id, "2026-04-01");
  await reviewedOn(id, 0);
}

/** A review so many days after the start, with everything read up to then. */
async function reviewedOn(id: string, days: number): Promise<void> {
  here.clock.at = start + days * dayMs;
  await usedEveryDay(here, id);
  await reviewPatient(here.service, here.tenantId, id);
}

async function circuitTasks(id: string): Promise<(Task & { id: string })[]> {
  return (await tasksOf(here, id)).filter((task) => task.code?.coding?.[0]?.code === "part-overdue");
}

async function deedsOn(task: Task | undefined): Promise<string[]> {
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>("select body from resource where tenant_id = $1 and type = 'Provenance'", [
      here.tenantId,
    ]),
  );
  return rows
    .map((row) => JSON.parse(row.body))
    .filter((one) => one.target[0].reference === `Task/${task?.id}`)
    .sort((a, b) => (a.recorded < b.recorded ? -1 : 1))
    .map((one) => one.activity.coding[0].code);
}

/** A new circuit the day before `days`, so that the finding clears. */
async function newCircuit(id: string, days: number): Promise<void> {
  const day = new Date(start + (days - 1) * dayMs).toISOString().slice(0, 10);
  const old = { id: `cu-${id}`, deviceId: `c-${id}`, patientId: id, start: "2026-04-01", end: day };
  await put(
    here,
    deviceUseStatement(old),
    partResource({ id: `c2-${id}`, kind: "circuit", machineId: `m-${id}` }),
    deviceUseStatement({ id: `cu2-${id}`, deviceId: `c2-${id}`, patientId: id, start: day }),
  );
}

describe("a Task past its due day", () => {
  test("is raised by one step the day after and by another a week on, each noted once, then no further", async () => {
    await raised("late");
    const seen: unknown[] = [];
    for (const days of [7, 8, 8, 14, 15, 40]) {
      await reviewedOn("late", days);
      const [task] = await circuitTasks("late");
      seen.push([days, task?.priority, task?.note?.length ?? 0, task?.status]);
    }
    expect(seen).toEqual([
      [7, "routine", 0, "requested"],
      [8, "urgent", 1, "requested"],
      [8, "urgent", 1, "requested"],
      [14, "urgent", 1, "requested"],
      [15, "asap", 2, "requested"],
      [40, "asap", 2, "requested"],
    ]);
    const [task] = await circuitTasks("late");
    expect(await deedsOn(task)).toEqual(["task-raise", "task-escalate", "task-escalate"]);
    expect(task?.note?.[0]?.text).toBe(
      "Not done by 2026-06-17, when it was due: priority raised from routine to urgent.",
    );
  });

  test("in a person's hands rises as well, and keeps status, owner and their words", async () => {
    await raised("held");
    const [task] = await circuitTasks("held");
    const theirs = { status: "accepted", owner: { display: "Night team" }, note: [{ text: "Ordered." }] } as const;
    await changeTask(here, task, { ...theirs, note: [...theirs.note] });
    await reviewedOn("held", 8);
    const [after] = await circuitTasks("held");
    expect([after?.status, after?.owner?.display, after?.priority, after?.note?.[0]?.text]).toEqual([
      "accepted",
      "Night team",
      "urgent",
      "Ordered.",
    ]);
  });

  test("that somebody put on hold, or gave a priority of their own, is left alone", async () => {
    await raised("waits");
    await changeTask(here, (await circuitTasks("waits"))[0], { status: "on-hold" });
    await raised("own");
    await changeTask(here, (await circuitTasks("own"))[0], { priority: "stat" });
    for (const [id, priority] of [
      ["waits", "routine"],
      ["own", "stat"],
    ] as const) {
      await reviewedOn(id, 30);
      expect((await circuitTasks(id))[0]).toMatchObject({ priority, meta: { versionId: "2" } });
    }
  });

  test("that somebody gave more time waits for the new day", async () => {
    await raised("more-time");
    const [task] = await circuitTasks("more-time");
    await changeTask(here, task, { restriction: { period: { end: "2026-06-30T17:00:00+01:00" } } });
    await reviewedOn("more-time", 20);
    expect((await circuitTasks("more-time"))[0]?.priority).toBe("routine");
    await reviewedOn("more-time", 21);
    expect((await circuitTasks("more-time"))[0]?.priority).toBe("urgent");
  });
});

describe("what a person does to a Task", () => {
  test.each(["rejected", "completed", "cancelled", "failed"] as const)(
    "as %s holds until the finding has cleared once",
    async (status) => {
      const id = `closed-${status}`;
      await raised(id);
      await changeTask(here, (await circuitTasks(id))[0], { status });
      await reviewedOn(id, 2);
      expect((await circuitTasks(id)).map((task) => task.status)).toEqual([status]);
      await newCircuit(id, 3);
      await reviewedOn(id, 3);
      // That new circuit was somebody else's: the record of it is taken back, and the old one is overdue again.
      await put(here, deviceUseStatement({ id: `cu-${id}`, deviceId: `c-${id}`, patientId: id, start: "2026-04-01" }));
      await deleteResource(here.service, here.tenantId, { type: "DeviceUseStatement", id: `cu2-${id}` });
      await reviewedOn(id, 4);
      expect((await circuitTasks(id)).map((task) => task.status).sort()).toEqual([status, "requested"].sort());
    },
  );

  test("as entered in error holds nothing back: it is raised anew at once, as another Task, and stays so", async () => {
    await raised("error");
    const [first] = await circuitTasks("error");
    await changeTask(here, first, { status: "entered-in-error" });
    await reviewedOn("error", 0);
    await reviewedOn("error", 0);
    const tasks = await circuitTasks("error");
    expect(tasks.map((task) => task.status).sort()).toEqual(["entered-in-error", "requested"]);
    expect(tasks.find((task) => task.id === first?.id)?.status).toBe("entered-in-error");
  });

  test("a safety Task comes again on the same day, however it was closed", async () => {
    await raised("safe");
    await put(
      here,
      contraindicationFlag({ id: "f-safe", patientId: "safe", code: "haemoptysis", start: "2026-06-09" }),
    );
    const holds = async () =>
      (await tasksOf(here, "safe")).filter((task) => task.code?.coding?.[0]?.code === "plan-needs-hold");
    for (const status of ["rejected", "failed", "entered-in-error", "completed"] as const) {
      await reviewedOn("safe", 0);
      const open = (await holds()).filter((task) => task.status === "requested");
      expect(open).toHaveLength(1);
      await changeTask(here, open[0], { status });
    }
    await reviewedOn("safe", 0);
    expect((await holds()).map((task) => task.status).sort()).toEqual([
      "completed",
      "entered-in-error",
      "failed",
      "rejected",
      "requested",
    ]);
  });

  test("a finding that clears while somebody works on it is noted, and nothing of theirs is closed", async () => {
    await raised("works");
    await changeTask(here, (await circuitTasks("works"))[0], { status: "in-progress" });
    await newCircuit("works", 1);
    await reviewedOn("works", 1);
    await reviewedOn("works", 2);
    const [task] = await circuitTasks("works");
    expect([task?.status, task?.businessStatus?.coding?.[0]?.code, task?.note?.map((one) => one.text)]).toEqual([
      "in-progress",
      "cleared",
      ["The finding has cleared."],
    ]);
  });
});

describe("who is asked first", () => {
  const routed = (owner: string): void => {
    const taskRouting = [
      { rule: "part-overdue", owner: "CareTeam/parts" },
      { rule: "part-overdue", organizationId: "north", owner },
    ];
    here = { ...here, service: { ...here.service, thresholds: { ...here.service.thresholds, taskRouting } } };
  };

  test("follows the rule and the patient's organisation when a Task is raised, and a person's choice after that", async () => {
    const unrouted = here;
    try {
      routed("CareTeam/north");
      await put(here, { resourceType: "Organization", id: "north", name: "North" } as never, {
        resourceType: "CareTeam",
        id: "parts",
      });
      await put(here, { resourceType: "CareTeam", id: "north" });
      await personWithCircuit(here, "n1", "2026-04-01");
      const north = { managingOrganization: { reference: "Organization/north" } };
      await put(here, { ...patientResource({ id: "n1", family: "n1", given: "Given" }), ...north } as never);
      await reviewedOn("n1", 0);
      expect((await circuitTasks("n1"))[0]?.owner).toEqual({ reference: "CareTeam/north" });
      await raised("n2");
      expect((await circuitTasks("n2"))[0]?.owner).toEqual({ reference: "CareTeam/parts" });
      await changeTask(here, (await circuitTasks("n2"))[0], { owner: { display: "Anna" } });
      routed("CareTeam/other");
      await reviewedOn("n2", 8);
      const [task] = await circuitTasks("n2");
      expect([task?.owner, task?.priority]).toEqual([{ display: "Anna" }, "urgent"]);
      // An owner that the routing names and that is not here would make the Task impossible to put back.
      routed("CareTeam/gone");
      await personWithCircuit(here, "n3", "2026-04-01");
      await put(here, { ...patientResource({ id: "n3", family: "n3", given: "Given" }), ...north } as never);
      await reviewedOn("n3", 0);
      const [unowned] = await circuitTasks("n3");
      expect(unowned?.owner).toBeUndefined();
      await changeTask(here, unowned, { status: "accepted" });
    } finally {
      here = unrouted;
    }
  });
});

test("a Task about an unknown device, which is nobody's to review, is raised by time as well", async () => {
  await expect(upload(here, useRecord(here, "stranger", ["08:00"]))).rejects.toThrow("No Device carries");
  await reviewUnmatched(here.service, here.tenantId, waitingIdentifier);
  const priority = async () => {
    await queueReviewsByTime(here.service);
    const tasks = await inTenant(here.database, here.tenantId, (session) =>
      session.query<{ priority: string }>(
        "select priority from finding_task where tenant_id = $1 and patient_id = '' and subject = $2",
        [here.tenantId, `device:${waitingIdentifier}`],
      ),
    );
    return tasks.map((task) => task.priority);
  };
  expect(await priority()).toEqual(["routine"]);
  here.clock.at = start + 7 * dayMs;
  expect(await priority()).toEqual(["routine"]);
  here.clock.at = start + 8 * dayMs;
  expect(await priority()).toEqual(["urgent"]);
});

test("other thresholds bring a Task up to date once, and it names their version", async () => {
  await raised("version");
  const before = here;
  try {
    const thresholds = { ...here.service.thresholds, version: "defaults-2/tenant-1" };
    here = { ...here, service: { ...here.service, thresholds } };
    await reviewedOn("version", 0);
    await reviewedOn("version", 0);
    const [task] = await circuitTasks("version");
    expect(task?.meta?.versionId).toBe("2");
    expect(task?.description).toContain("Thresholds: defaults-2/tenant-1.");
  } finally {
    here = before;
  }
});
