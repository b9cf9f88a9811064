import { expect, test } from "vitest";
import type { TaskStatus } from "../../src/domain/finding-task.ts";
import { refusedTransition } from "../../src/domain/task-transition.ts";

// R4, Task.status: the definitions of the codes (https://hl7.org/fhir/R4/valueset-task-status.html).
const statuses: readonly TaskStatus[] = [
  ...(["draft", "requested", "received", "accepted", "rejected", "ready", "cancelled"] as const),
  ...(["in-progress", "on-hold", "failed", "completed", "entered-in-error"] as const),
];
const reachable = (before: TaskStatus) => statuses.filter((now) => refusedTransition(before, now) === undefined);

test("the usual way of a worklist is open: received, accepted, begun, on hold, done", () => {
  const way: readonly TaskStatus[] = [
    "requested",
    "received",
    "accepted",
    "in-progress",
    "on-hold",
    "in-progress",
    "completed",
  ];
  for (const [index, now] of way.slice(1).entries())
    expect(refusedTransition(way[index] ?? "draft", now)).toBeUndefined();
});

test("what nobody has begun may be rejected; what somebody has is failed or cancelled", () => {
  for (const before of ["requested", "received", "accepted", "ready"] as const)
    expect(refusedTransition(before, "rejected")).toBeUndefined();
  for (const before of ["in-progress", "on-hold"] as const) {
    expect(refusedTransition(before, "rejected")).toContain("failed or cancelled");
    expect(refusedTransition(before, "failed")).toBeUndefined();
    expect(refusedTransition(before, "cancelled")).toBeUndefined();
  }
  expect(refusedTransition("completed", "rejected")).toContain("reopen");
});

test("entered in error is the end; a draft is only the beginning", () => {
  expect(reachable("entered-in-error")).toEqual(["entered-in-error"]);
  for (const before of statuses) if (before !== "draft") expect(reachable(before)).not.toContain("draft");
});

test("what was closed can be opened again, and anything can turn out to have been an error", () => {
  for (const before of ["completed", "rejected", "cancelled", "failed"] as const)
    expect(reachable(before)).toEqual(expect.arrayContaining(["in-progress", "requested", "entered-in-error"]));
});

test("what was done or turned down has not failed", () => {
  for (const before of ["completed", "rejected", "cancelled"] as const)
    expect(refusedTransition(before, "failed")).toContain(before);
});
