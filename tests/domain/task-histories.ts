/** Histories of Tasks and findings by chance, for the laws that hold whatever the history. */
import fc from "fast-check";
import type { FindingTask, TaskPriority } from "../../src/domain/finding-task.ts";
import { DAY_MS, finished, nowMs, taskOf, untouched, workedOn } from "./task-examples.ts";
import { openOf } from "./task-model.ts";

const anyFinding = fc.record({
  rule: fc.constantFrom("low-use", "long-sitting"),
  subject: fc.constantFrom("therapy", "Flag/1"),
  severity: fc.constantFrom("information", "review", "urgent"),
  safety: fc.boolean(),
  sinceDay: fc.constant("2026-03-10"),
  text: fc.constantFrom("one", "two"),
  evidence: fc.constant([]),
  clearsWhen: fc.constant("later"),
});

const anyTask = fc
  .record({
    finding: anyFinding,
    status: fc.constantFrom(...untouched, ...workedOn, ...finished, "entered-in-error" as const),
    priority: fc.option(fc.constantFrom<TaskPriority>("routine", "urgent", "asap", "stat"), { nil: undefined }),
    servicePriority: fc.option(fc.constantFrom<TaskPriority>("routine", "urgent", "asap"), { nil: undefined }),
    dueDay: fc.option(fc.constantFrom("2026-02-20", "2026-03-08", "2026-03-14", "2026-03-15", "2026-03-16"), {
      nil: undefined,
    }),
    episode: fc.integer({ min: 1, max: 4 }),
    daysAgo: fc.integer({ min: 0, max: 30 }),
    closedBy: fc.constantFrom("service" as const, "person" as const),
    clearedSince: fc.boolean(),
  })
  .map(({ finding, status, episode, daysAgo, closedBy, clearedSince, ...others }) => {
    const closing =
      openOf([taskOf(finding, { status })]).length > 0 ? {} : { closedBy, closedMs: nowMs - daysAgo * DAY_MS };
    const { priority: _, servicePriority: __, dueDay: ___, ...bare } = taskOf(finding, { status, episode });
    const named = Object.fromEntries(Object.entries(others).filter(([, value]) => value !== undefined));
    return { ...bare, clearedSince, ...closing, ...named } as FindingTask;
  });

/** Any history at all, several open Tasks of one key included. */
export const anyTasks = fc
  .array(anyTask, { maxLength: 8 })
  .map((tasks) => tasks.map((task, index) => ({ ...task, taskId: `t${index}` })));
/** Any findings of two rules and two subjects. */
export const anyFindings = fc.array(anyFinding, { maxLength: 4 });
