import { expect, test } from "vitest";
import { closedByService, handOf, isClosed } from "../../src/domain/finding-task.ts";
import { finished, lowUse, taskOf, untouched, workedOn } from "./task-examples.ts";

test("a Task is the service's until somebody takes it up, a person's from then on, and nobody's once it is over", () => {
  expect(new Set(untouched.map(handOf))).toEqual(new Set(["service"]));
  expect(new Set(workedOn.map(handOf))).toEqual(new Set(["person"]));
  expect(new Set([...finished, "entered-in-error" as const].map(handOf))).toEqual(new Set(["closed"]));
  expect([isClosed("on-hold"), isClosed("entered-in-error")]).toEqual([false, true]);
});

test("only what says so, in a status that the service closes with, was closed by the service", () => {
  const by = (status: "completed" | "failed", closedBy: "service" | "person") =>
    closedByService(taskOf(lowUse, { status, closedBy }));
  expect([by("completed", "service"), by("completed", "person"), by("failed", "service")]).toEqual([
    true,
    false,
    false,
  ]);
  expect(closedByService(taskOf(lowUse, { status: "completed" }))).toBe(false);
});
