import type { Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { localDayOf } from "../../src/domain/local-day.ts";
import { notificationStoppedFinding } from "../../src/domain/rules/notification-stopped.ts";
import { possibleDuplicateFinding } from "../../src/domain/rules/possible-duplicate.ts";
import { taskSteps } from "../../src/domain/task.ts";
import { queueReviewsByTime } from "../../src/flows/jobs.ts";
import { carryOut } from "../../src/flows/review-patient.ts";
import { inTenant } from "../../src/store/database.ts";
import { messenger } from "../support/messages.ts";
import { type TestService, testService } from "../support/service.ts";

const dayMs = 86_400_000;
let made: TestService;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
});
afterAll(() => made.close());

const findings = [
  possibleDuplicateFinding({ patientIds: ["a", "b"], why: "alike", day: "2026-06-10" }),
  notificationStoppedFinding({
    subscriptionId: "s",
    failures: 12,
    waiting: 3,
    sinceDay: "2026-06-10",
    problem: "Nobody answers.",
  }),
];

test("Tasks about doubtful pairs and stopped notifications press more when nobody has done them by their day", async () => {
  const { service, clock, tenantId } = made;
  const start = clock.at;
  const { thresholds } = service;
  for (const finding of findings) {
    const context = { today: localDayOf(start, "Europe/London"), nowMs: start, thresholds, applicable: () => true };
    await inTenant(made.database, tenantId, (session) =>
      carryOut(service, session, taskSteps([finding], [], context), [], undefined),
    );
  }
  const after = async (days: number) => {
    clock.at = start + days * dayMs;
    await queueReviewsByTime(service);
    return (await messenger(made).all<Task>("Task")).map(({ priority }) => priority);
  };
  const due = thresholds.dueDaysBySeverity.review;
  expect(await after(due)).toEqual(["routine", "routine"]);
  expect(await after(due + 1)).toEqual(["urgent", "urgent"]);
  expect(await after(due + 1)).toEqual(["urgent", "urgent"]);
  expect(await after(due + 1 + thresholds.escalateAfterDays)).toEqual(["asap", "asap"]);
  // No version without a change.
  expect((await messenger(made).all<Task>("Task")).map(({ meta }) => meta?.versionId)).toEqual(["3", "3"]);
});
