import { validateResource } from "@medplum/core";
import type { Task } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import type { Finding } from "../../src/domain/finding.ts";
import { evidenceDigest } from "../../src/domain/task.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { caution, taskFact, taskResource } from "../../src/fhir/task.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const finding: Finding = {
  rule: "part-overdue",
  subject: "Device/c1",
  severity: "review",
  safety: false,
  sinceDay: "2026-05-02",
  text: "The circuit is overdue.",
  evidence: [
    { name: "fitted", text: "Fitted on 1 April 2026.", reference: "DeviceUseStatement/u1" },
    { name: "sessions", text: "Sessions since", value: 40, unit: "1" },
    { name: "rule-source", text: "common practice" },
  ],
  clearsWhen: "A new circuit is fitted.",
  focus: "Device/c1",
};

const at = "2026-06-10T12:00:00.000Z";
const raised = taskResource(
  { kind: "raise", finding, episode: 2, dueDay: "2026-06-17" },
  { taskId: "t1", patientId: "p1", nowIso: at },
);

/** As it stands in the store. */
const stored = (task: Task): Task => ({ ...task, meta: { versionId: "1", lastUpdated: at } });

test("a raised Task says what, since when, what would clear it, and the caution", () => {
  expect(validateResource(raised)).toEqual([]);
  expect(raised.description).toBe(
    `The circuit is overdue. Since 2026-05-02. Clears when: A new circuit is fitted. ${caution}`,
  );
  expect(raised).toMatchObject({
    status: "requested",
    priority: "routine",
    for: { reference: "Patient/p1" },
    focus: { reference: "Device/c1" },
  });
  // R4 has no due date on Task: it is the end of the restriction (https://hl7.org/fhir/R4/task-definitions.html#Task.restriction.period).
  expect(raised.restriction?.period?.end).toBe("2026-06-17");
  expect(raised.identifier?.[0]?.value).toBe("p1|part-overdue|Device/c1#2");
});

test("evidence keeps its kind: a quantity, a reference, or words", () => {
  const [fitted, sessions, source] = raised.input ?? [];
  expect(fitted?.valueReference?.reference).toBe("DeviceUseStatement/u1");
  expect(sessions?.valueQuantity?.value).toBe(40);
  expect(source?.valueString).toBe("common practice");
});

test("the review reads a Task back as it wrote it", () => {
  expect(taskFact(stored(raised))).toEqual([
    {
      kind: "task",
      patientId: "p1",
      task: {
        taskId: "t1",
        rule: "part-overdue",
        subject: "Device/c1",
        episode: 2,
        status: "requested",
        severity: "review",
        priority: "routine",
        servicePriority: "routine",
        dueDay: "2026-06-17",
        evidenceDigest: evidenceDigest(finding),
        clearedSince: false,
      },
    },
  ]);
});

test("a refresh changes words, evidence and priority; the due date only ever comes nearer", () => {
  const worse: Finding = { ...finding, severity: "urgent", text: "Worse." };
  const later = taskResource(
    { kind: "refresh", taskId: "t1", finding: worse, dueDay: "2026-06-30", priority: "urgent" },
    { taskId: "t1", patientId: "p1", nowIso: at, previous: stored(raised) },
  );
  const sooner = taskResource(
    { kind: "refresh", taskId: "t1", finding: worse, dueDay: "2026-06-11", priority: "urgent" },
    { taskId: "t1", patientId: "p1", nowIso: at, previous: stored(raised) },
  );
  expect([later.priority, later.restriction?.period?.end, sooner.restriction?.period?.end]).toEqual([
    "urgent",
    "2026-06-17",
    "2026-06-11",
  ]);
  expect(later.input).toHaveLength(3);
});

test("added evidence leaves a person's status, owner, note and own inputs alone", () => {
  const theirs: Task = {
    ...stored(raised),
    status: "in-progress",
    owner: { display: "Ward" },
    note: [{ text: "Calling." }],
    input: [...(raised.input ?? []), { type: { text: "Phone number" }, valueString: "on file" }],
  };
  const after = taskResource(
    { kind: "add-evidence", taskId: "t1", finding: { ...finding, text: "More." } },
    { taskId: "t1", patientId: "p1", nowIso: at, previous: theirs },
  );
  expect([after.status, after.owner?.display, after.note?.[0]?.text, after.priority]).toEqual([
    "in-progress",
    "Ward",
    "Calling.",
    "routine",
  ]);
  expect(after.input?.some((one) => one.valueString === "on file")).toBe(true);
  expect(after.description).toContain("More.");
});

test("what the service closes it says so, and why; what a person closes is theirs", () => {
  const closed = taskResource(
    {
      kind: "close",
      taskId: "t1",
      status: "completed",
      reason: "cleared",
      evidence: [{ name: "cleared", text: "No longer found." }],
    },
    { taskId: "t1", nowIso: at, previous: stored(raised) },
  );
  expect(closed.statusReason?.coding?.[0]?.code).toBe("cleared");
  expect(taskFact(stored(closed))[0]).toMatchObject({ task: { closedBy: "service", closedMs: Date.parse(at) } });
  expect(taskFact(stored({ ...raised, status: "rejected" }))[0]).toMatchObject({
    task: { closedBy: "person", closedMs: Date.parse(at) },
  });
});

test("a Task that a person reopens and closes in turn is theirs, though it still says that the service had closed it", () => {
  const closed = taskResource(
    { kind: "close", taskId: "t1", status: "completed", reason: "cleared", evidence: [] },
    { taskId: "t1", nowIso: at, previous: stored(raised) },
  );
  const { statusReason: _, ...theirs } = closed;
  expect(taskFact(stored({ ...theirs, status: "completed" }))[0]).toMatchObject({ task: { closedBy: "person" } });
  const reopened = taskResource(
    { kind: "add-evidence", taskId: "t1", finding },
    { taskId: "t1", nowIso: at, previous: stored({ ...closed, status: "in-progress" }) },
  );
  const later: Task = { ...reopened, status: "completed", meta: { lastUpdated: "2026-07-01T09:00:00.000Z" } };
  expect(taskFact(later)[0]).toMatchObject({
    task: { closedBy: "person", closedMs: Date.parse("2026-07-01T09:00:00.000Z") },
  });
});

test("noting that a finding has cleared does not start a person's cool-down anew", () => {
  const rejected = stored({ ...raised, status: "rejected" });
  const noted = taskResource(
    { kind: "note-cleared", taskId: "t1" },
    { taskId: "t1", nowIso: "2026-06-20T00:00:00.000Z", previous: rejected },
  );
  const later: Task = { ...noted, meta: { lastUpdated: "2026-06-20T00:00:00.000Z" } };
  expect(taskFact(later)[0]).toMatchObject({
    task: { status: "rejected", clearedSince: true, closedMs: Date.parse(at) },
  });
});

test("Tasks of other kinds state nothing here", () => {
  expect(taskFact({ resourceType: "Task", status: "requested", intent: "order" })).toEqual([]);
});
