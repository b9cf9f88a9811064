import { parseCrontab } from "graphile-worker";
import { expect, test } from "vitest";
import { jobsOf, jobTimetable } from "../../src/flows/jobs.ts";

// Read by the job library's own parser (https://worker.graphile.org/docs/cron).
const items = parseCrontab(jobTimetable);

test("the clock calls kinds of jobs that there are, each before all that waits, and lets none wait twice", () => {
  const kinds = Object.keys(jobsOf({} as never));
  expect(items.map(({ task }) => task).filter((task) => !kinds.includes(task))).toEqual([]);
  for (const { task, options } of items) {
    expect([task, options.priority, options.jobKey]).toEqual([task, -2, `clock:${task}`]);
  }
  expect(new Set(items.map(({ task }) => task)).size).toBe(5);
});
