import { readFileSync } from "node:fs";
import { afterAll, beforeAll, expect, test } from "vitest";
import { loadDemo } from "../../seed/load.ts";
import { people } from "../../seed/scenario/people.ts";
import type { PlayedUpload } from "../../seed/scenario/uploads.ts";
import type { Measure } from "../../src/domain/adherence.ts";
import { minuteOfDay } from "../../src/domain/local-day.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { patientDays } from "../../src/flows/patient-days.ts";
import { recordUse } from "../../src/flows/record-use.ts";
import { type TestService, testService } from "../support/service.ts";
import { exampleFiles, exampleOf, prettyJson } from "./example-files.ts";
import { expected } from "./expected.ts";
import {
  contents,
  counts,
  figuresOf,
  inOneLine,
  openTasks,
  rows,
  type SessionRow,
  sessionRows,
  triple,
} from "./loaded-story.ts";

const now = "2026-04-10T11:00:00Z";
const today = "2026-04-10";
const progress: string[] = [];

let demo: TestService;

beforeAll(async () => {
  demo = await testService(now);
  await loadDemo(demo.service, demo.tenantId, { today, onProgress: (text) => progress.push(text) });
}, 120_000);

afterAll(() => demo.close());

async function sessionsOf(patientId: string): Promise<SessionRow[]> {
  const all = await sessionRows(demo);
  return all.filter((session) => session.patientId === patientId).sort((a, b) => a.startMs - b.startMs);
}

async function textOf(patientId: string, rule: string): Promise<string> {
  const tasks = await openTasks(demo);
  return tasks.find((task) => task.patientId === patientId && task.rule === rule)?.text ?? "";
}

test("everybody of the story has a line of expectations", () => {
  expect(Object.keys(expected).sort()).toEqual(people.map(({ id }) => id).sort());
});

test.each(Object.entries(expected))(
  "%s has the open tasks of the story and no others",
  async (patientId, { tasks }) => {
    const found = (await openTasks(demo)).filter((task) => task.patientId === patientId);
    expect(found.map(inOneLine)).toEqual(tasks);
  },
);

test.each(Object.entries(expected))("%s has the figures of the story", async (patientId, figures) => {
  expect(await figuresOf(demo, patientId)).toEqual({
    firstDay: "2026-03-13",
    endDay: "2026-04-10",
    daysUsed: figures.daysUsed,
    sessionsCompleted: figures.sessionsCompleted,
  });
});

test("the caseload shows the figures that a person's own page shows", async () => {
  const summaries = await rows<{ patientId: string; daysUsed: Measure; sessionsCompleted: Measure }>(
    demo,
    `select patient_id as "patientId", days_used as "daysUsed", sessions_completed as "sessionsCompleted"
     from patient_summary where tenant_id = $1 order by patient_id`,
  );
  expect(summaries.map(({ patientId }) => patientId)).toEqual(people.map(({ id }) => id).sort());
  for (const { patientId, daysUsed, sessionsCompleted } of summaries) {
    expect(triple(daysUsed), patientId).toEqual(expected[patientId]?.daysUsed);
    expect(triple(sessionsCompleted), patientId).toEqual(expected[patientId]?.sessionsCompleted);
  }
});

test("with a quarter of the time read, no ratio is given and the bounds run from 14 to 56 of 56", async () => {
  const answer = await patientDays(demo.service, demo.tenantId, "patient-silent", {});
  const measure = answer.ok ? answer.value.measures.find((one) => one.code === "sessions-completed") : undefined;
  expect(measure).toMatchObject({
    coverage: 14 / 56,
    absentReason: "low-coverage",
    bounds: { lowest: 14 / 56, highest: 1 },
  });
  expect(measure?.ratio).toBeUndefined();
});

test("every task says on which numbers it rests", async () => {
  // 5 mornings in the last 14 days, of 28 slots the two of day -1 unknown: 5 of 26 is 19 %.
  expect(await textOf("patient-fading", "low-use")).toContain("5 of 26 asked sessions (19 %)");
  expect(await textOf("patient-silent", "no-recent-record")).toContain("19 March 2026");
  expect(await textOf("patient-silent", "no-recent-record")).toContain("We do not know");
  // 19:00 to 19:45 with two-minute breaks on day -5.
  expect(await textOf("patient-long-sitting", "long-sitting")).toContain("the longest took 45 minutes");
  // Two sessions a day since day -9.
  expect(await textOf("patient-other-settings", "settings-differ")).toContain("18 sessions since 1 April 2026");
  // The evening of day -3 and both of day -2.
  expect(await textOf("patient-contraindicated", "used-while-contraindicated")).toContain(
    "3 sessions since 7 April 2026",
  );
  // Fitted on 25 January, so a calendar month ends on 25 February.
  expect(await textOf("patient-overdue-circuit", "part-overdue")).toContain("25 February 2026");
  // Fitted on 15 March.
  expect(await textOf("patient-filter-due", "part-due")).toContain("15 April 2026");
});

test("records of a machine that nobody registered raise one task that names no patient", async () => {
  const found = (await openTasks(demo)).filter((task) => task.patientId === "");
  expect(found).toHaveLength(1);
  expect(found[0]).toMatchObject({ rule: "unmatched-record", priority: "routine" });
  expect(found[0]?.subject).toMatch(/^device:.*\|TG-0099$/);
  // Evening of day -5, both of days -4 and -3.
  expect(found[0]?.text).toContain("5 sessions in 1 upload");
  const stored = await rows<{ for: string | null }>(
    demo,
    `select r.body::jsonb ->> 'for' as for from resource r join finding_task t on t.tenant_id = r.tenant_id and t.task_id = r.id
     where r.tenant_id = $1 and r.type = 'Task' and t.rule = 'unmatched-record'`,
  );
  expect(stored).toEqual([{ for: null }]);
});

test("after the exchange of two machines each session is with the person who had the machine then", async () => {
  const exchange = Date.parse("2026-03-21T11:00:00Z");
  for (const [patientId, before, after, minutes] of [
    ["patient-swapped-early", "TG-0016", "TG-0017", [390, 1050]],
    ["patient-swapped-late", "TG-0017", "TG-0016", [570, 1230]],
  ] as const) {
    const sessions = await sessionsOf(patientId);
    expect(sessions).toHaveLength(179);
    for (const { startMs, deviceId } of sessions) {
      // Their own hours, 06:30 and 17:30 or 09:30 and 20:30 give or take eight minutes, tell the two apart.
      const minute = minuteOfDay(startMs, "Europe/London");
      expect(Math.min(...minutes.map((usual) => Math.abs(minute - usual)))).toBeLessThanOrEqual(8);
      expect(deviceId).toBe(`machine-${(startMs < exchange ? before : after).toLowerCase()}`);
    }
  }
});

test("with a machine three hours fast, a session at 01:20 is the evening of the day before", async () => {
  const sessions = await sessionsOf("patient-wrong-clock");
  // Mornings of days -89 to -1 and evenings of days -90 to -2, each once.
  const slots = sessions.map(({ localDay, dayPart }) => `${localDay} ${dayPart}`);
  expect(new Set(slots).size).toBe(178);
  expect(slots.filter((slot) => slot.endsWith(" morning"))).toHaveLength(89);
  expect(slots.filter((slot) => slot.endsWith(" evening"))).toHaveLength(89);
  expect([slots[0], slots.at(-1)]).toEqual(["2026-01-10 evening", "2026-04-09 morning"]);
});

test("the session of the night in which the clocks go forward counts to the evening of 28 March", async () => {
  const sessions = await sessionsOf("patient-wrong-clock");
  const night = sessions.filter(({ localDay, dayPart }) => localDay === "2026-03-28" && dayPart === "evening");
  // 01:20 does not exist on 29 March: the clock reads 02:20 then, which is 01:20 UTC, give or take eight minutes.
  expect(night).toHaveLength(1);
  const startMs = night[0]?.startMs ?? 0;
  expect(Math.abs(startMs - Date.parse("2026-03-29T01:20:00Z"))).toBeLessThanOrEqual(8 * 60_000);
});

test("on the Azores a day begins an hour later than in London", async () => {
  const sessions = await sessionsOf("patient-silent");
  // Evenings at 19:30 on the Azores, an hour behind UTC until 29 March; read up to 19 March.
  const last = sessions.at(-1);
  expect(last?.localDay).toBe("2026-03-19");
  expect(Math.abs((last?.startMs ?? 0) - Date.parse("2026-03-19T20:30:00Z"))).toBeLessThanOrEqual(8 * 60_000);
});

test.each(Object.entries(exampleFiles))(
  "seed/examples/%s is what the story stores, and conforms",
  async (name, condition) => {
    const example = await exampleOf(demo, condition);
    expect(checkResource(demo.service.definitions, example)).toEqual([]);
    // `npx vitest run tests/scenario -u` writes the files anew.
    await expect(prettyJson(example)).toMatchFileSnapshot(`../../seed/examples/${name}`);
  },
);

test("loading the story a second time changes nothing", async () => {
  const before = await counts(demo);
  await loadDemo(demo.service, demo.tenantId, { today });
  expect(await counts(demo)).toEqual(before);
  // On a later day too: the story stays where it was.
  await loadDemo(demo.service, demo.tenantId, { today: "2026-04-12" });
  expect(await counts(demo)).toEqual(before);
}, 120_000);

test("the same uploads in the opposite order give the same tasks, sessions and resources", async () => {
  const other = await testService(now);
  try {
    const orderUploads = (uploads: readonly PlayedUpload[]) => uploads.toReversed();
    await loadDemo(other.service, other.tenantId, { today, orderUploads });
    expect(await openTasks(other)).toEqual(await openTasks(demo));
    expect(await sessionRows(other)).toEqual(await sessionRows(demo));
    expect(await contents(other)).toEqual(await contents(demo));
  } finally {
    await other.close();
  }
}, 120_000);

test("played in autumn, when the clocks go back, the story comes to the same tasks and figures", async () => {
  const autumn = await testService("2026-11-05T11:00:00Z");
  try {
    await loadDemo(autumn.service, autumn.tenantId, { today: "2026-11-05" });
    const tasks = await openTasks(autumn);
    for (const [patientId, figures] of Object.entries(expected)) {
      const found = tasks.filter((task) => task.patientId === patientId);
      expect(found.map(inOneLine), patientId).toEqual(figures.tasks);
      expect(await figuresOf(autumn, patientId), patientId).toEqual({
        firstDay: "2026-10-08",
        endDay: "2026-11-05",
        daysUsed: figures.daysUsed,
        sessionsCompleted: figures.sessionsCompleted,
      });
    }
    // The record of the README's first try, sent twice.
    const bytes = readFileSync(new URL("../../seed/examples/use-record.json", import.meta.url));
    const arrived = { bytes, contentType: "application/json", contentEncoding: "identity" };
    const first = await recordUse(autumn.service, autumn.tenantId, arrived, { maxBytes: 1_000_000 });
    const second = await recordUse(autumn.service, autumn.tenantId, arrived, { maxBytes: 1_000_000 });
    expect(first).toMatchObject({ ok: true, value: { status: "accepted", created: 5 } });
    expect(second).toMatchObject({ ok: true, value: { status: "accepted", created: 0, unchanged: 5 } });
  } finally {
    await autumn.close();
  }
}, 120_000);

test("the loader tells how far it is", () => {
  expect(progress).toHaveLength(3);
  expect(progress[0]).toContain(`${people.length} invented people`);
});
