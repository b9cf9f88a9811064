import { validateResource } from "@medplum/core";
import type { Task } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import type { Finding } from "../../src/domain/finding.ts";
import type { TaskStep } from "../../src/domain/task.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { taskFact, taskResource } from "../../src/fhir/task.ts";
import { extensionUrl } from "../../src/fhir/terminology/canonical.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const finding: Finding = {
  rule: "low-use",
  subject: "therapy",
  severity: "review",
  safety: false,
  sinceDay: "2026-06-01",
  text: "13 of 28 asked sessions.",
  evidence: [],
  clearsWhen: "Recorded use rises.",
  thresholdsVersion: "defaults-2/tenant-3",
};
const worse: Finding = { ...finding, severity: "urgent" };
const at = "2026-06-10T12:00:00.000Z";

function after(step: TaskStep, previous?: Task): Task {
  const made = taskResource(step, {
    taskId: "t1",
    patientId: "p1",
    nowIso: at,
    ...(previous === undefined ? {} : { previous }),
  });
  expect(validateResource(made)).toEqual([]);
  return { ...made, meta: { versionId: "1", lastUpdated: at } };
}

const raise = { kind: "raise", finding, episode: 1, dueDay: "2026-06-17", owner: "CareTeam/north" } as const;
const refresh = {
  kind: "refresh",
  taskId: "t1",
  finding: worse,
  dueDay: "2026-06-11",
  owner: "CareTeam/south",
} as const;
const escalate = { kind: "escalate", taskId: "t1", priority: "asap", text: "Not done by 2026-06-17." } as const;
const extension = (task: Task, name: string) => task.extension?.find((one) => one.url === extensionUrl(name));
const factOf = (task: Task) => {
  const [fact] = taskFact(task);
  if (fact?.kind !== "task") throw new Error("states nothing");
  return fact.task;
};

test("a raised Task has the owner of the routing, and says on which thresholds it rests", () => {
  const task = after(raise);
  expect(task.owner).toEqual({ reference: "CareTeam/north" });
  expect(extension(task, "finding-thresholds")?.valueString).toBe("defaults-2/tenant-3");
  expect(task.description).toContain("Thresholds: defaults-2/tenant-3.");
  expect(extension(task, "finding-priority")?.valueCode).toBe("routine");
});

test("a refresh sets an owner where none stands, and leaves the one that does", () => {
  const { owner: _, ...unowned } = after(raise);
  expect(after(refresh, unowned).owner).toEqual({ reference: "CareTeam/south" });
  const reassigned = { ...unowned, owner: { display: "Night team" } };
  expect(after(refresh, reassigned).owner).toEqual({ display: "Night team" });
});

test("an escalation changes the priority, says so in a note, and leaves status and owner", () => {
  const task: Task = { ...after(raise), status: "accepted", note: [{ text: "Calling." }] };
  const escalated = after(escalate, task);
  expect([escalated.status, escalated.owner, escalated.priority]).toEqual(["accepted", task.owner, "asap"]);
  expect(escalated.note).toEqual([{ text: "Calling." }, { time: at, text: "Not done by 2026-06-17." }]);
  expect(factOf(escalated)).toMatchObject({ priority: "asap", servicePriority: "asap" });
});

test("a priority that a person gave stays through a refresh, and stays theirs", () => {
  const { extension: _, ...bare } = after(raise);
  const legacy: Task = {
    ...bare,
    priority: "urgent",
    extension: (after(raise).extension ?? []).filter((one) => one.url !== extensionUrl("finding-priority")),
  };
  const refreshed = after(refresh, legacy);
  expect(factOf(refreshed)).toMatchObject({ severity: "urgent", priority: "urgent", servicePriority: "routine" });
});

test("added evidence leaves the severity that the Task was last brought up to date with", () => {
  const task = after({ kind: "add-evidence", taskId: "t1", finding: worse }, { ...after(raise), status: "accepted" });
  expect(factOf(task)).toMatchObject({ severity: "review", priority: "routine" });
});

test("a due date with a time of day is read as its day, and half a date as none", () => {
  const due = (end: string) => factOf({ ...after(raise), restriction: { period: { end } } }).dueDay;
  expect([due("2026-06-17"), due("2026-06-17T09:30:00+01:00"), due("2026-06"), due("2026")]).toEqual([
    "2026-06-17",
    "2026-06-17",
    undefined,
    undefined,
  ]);
});

test("the business status says where the finding stands, unless a clinic has put its own there", () => {
  const state = (task: Task) => task.businessStatus?.coding?.[0]?.code ?? task.businessStatus?.text;
  const raised = after(raise);
  const cleared = after({ kind: "note-cleared", taskId: "t1" }, { ...raised, status: "accepted" });
  const back = after({ kind: "add-evidence", taskId: "t1", finding: worse }, cleared);
  const closed = after(
    { kind: "close", taskId: "t1", status: "cancelled", reason: "no-longer-applies", evidence: [] },
    raised,
  );
  expect([raised, cleared, back, closed].map(state)).toEqual(["standing", "cleared", "standing", "no-longer-applies"]);
  const own = after({ kind: "note-cleared", taskId: "t1" }, { ...raised, businessStatus: { text: "Parts ordered" } });
  expect(state(own)).toBe("Parts ordered");
});

test("a Task entered in error still states its episode, and that it is closed", () => {
  expect(factOf({ ...after(raise), status: "entered-in-error" })).toMatchObject({
    episode: 1,
    status: "entered-in-error",
    closedBy: "person",
  });
});
