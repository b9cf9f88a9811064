import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { changeTask, tasksOf } from "../flows/person-with-circuit.ts";
import type { TestApp } from "../support/app.ts";
import { getJson, lowUser } from "./low-user.ts";

let here: TestApp;

beforeAll(async () => {
  here = await lowUser();
});

afterAll(() => here.close());

const get = <T>(path: string, token?: string) => getJson<T>(here, path, token);

interface Step {
  name: string;
  text: string;
  holds: boolean;
  value?: number;
  threshold?: number;
  source?: string;
}
interface Explanation {
  day: string;
  thresholdsVersion: string;
  rule: { code: string; source: string };
  picture: { planId?: string; sessions: { count: number } };
  note?: string;
  cautions: string;
  subjects: {
    subject: string;
    found: boolean;
    steps: Step[];
    finding?: { text: string };
    task: { decision: string; steps: Step[] };
  }[];
}

describe("why a finding is there, or is not", () => {
  test("each question is answered with its numbers and where the threshold comes from", async () => {
    const { status, body } = await get<Explanation>("/patients/anna/explain?rule=low-use");
    expect(status).toBe(200);
    expect(body).toMatchObject({ day: "2026-06-10", rule: { code: "low-use" }, picture: { planId: "plan-anna" } });
    const [subject] = body.subjects;
    expect(subject).toMatchObject({ subject: "therapy", found: true });
    expect(subject?.steps.map(({ name, holds }) => [name, holds])).toEqual([
      ["in-place", true],
      ["coverage", true],
      ["share-done", true],
    ]);
    // Three mornings, and no evening, of the last fourteen full days.
    expect(subject?.steps[2]).toMatchObject({ value: 3 / 28, threshold: 0.5 });
    expect(subject?.steps[2]?.source).toMatch(/no published source/);
    expect(body.cautions).toMatch(/licensed clinician/);
  });

  test("what became of the Task is told step by step", async () => {
    const { body } = await get<Explanation>("/patients/anna/explain?rule=low-use");
    expect(body.subjects[0]?.task.decision).toBe("nothing");
    expect(body.subjects[0]?.task.steps.map((step) => step.name)).toEqual([
      "found",
      "open",
      "news",
      "overdue",
      "nothing",
    ]);
  });

  test("what is not found stops at the answer that the rule does not look for", async () => {
    const { body } = await get<Explanation>("/patients/anna/explain?rule=long-sitting");
    expect(body.subjects[0]).toMatchObject({ found: false });
    expect(body.subjects[0]?.steps.at(-1)).toMatchObject({
      name: "longest-minutes",
      holds: false,
      value: 10,
      threshold: 30,
    });
  });

  test("of several subjects one can be asked for", async () => {
    const { body } = await get<Explanation>("/patients/anna/explain?rule=part-overdue&subject=Device/c-anna");
    expect(body.subjects.map(({ subject, found }) => [subject, found])).toEqual([["Device/c-anna", true]]);
    const nothing = await get<Explanation>("/patients/anna/explain?rule=part-overdue&subject=Device/none");
    expect([nothing.body.subjects, nothing.body.note]).toEqual([
      [],
      "Nothing on record answers to the subject Device/none.",
    ]);
  });

  test("a rule that has nothing to look at says so", async () => {
    const { body } = await get<Explanation>("/patients/anna/explain?rule=plan-needs-hold");
    expect([body.subjects, body.note]).toEqual([
      [],
      expect.stringMatching(/nothing on record that this rule could look at/),
    ]);
  });

  test("as of a past day it is what was known then: the circuit was not due, and nothing had been read", async () => {
    const circuit = await get<Explanation>("/patients/anna/explain?rule=part-overdue&asOf=2026-05-20");
    expect(circuit.body).toMatchObject({ day: "2026-05-20", subjects: [{ found: false }] });
    const use = await get<Explanation>("/patients/anna/explain?rule=low-use&asOf=2026-06-09");
    expect(use.body.subjects[0]?.steps.at(-1)).toMatchObject({ name: "coverage", holds: false });
  });

  test("a Task explains itself", async () => {
    const [task] = (await tasksOf(here, "anna")).filter((one) => one.code?.coding?.[0]?.code === "low-use");
    const { status, body } = await get<Explanation>(`/tasks/${task?.id}/explain`);
    expect([status, body.rule.code, body.subjects.length]).toEqual([200, "low-use", 1]);
  });

  test("a Task that a person closed says until when it stays quiet", async () => {
    const [task] = (await tasksOf(here, "anna")).filter((one) => one.code?.coding?.[0]?.code === "part-overdue");
    await changeTask(here, task, { status: "completed" });
    const { body } = await get<Explanation>("/patients/anna/explain?rule=part-overdue");
    const { decision, steps } = body.subjects[0]?.task ?? { decision: "", steps: [] };
    expect(decision).toBe("nothing");
    expect(steps.find((step) => step.name === "cool-down")?.text).toMatch(
      /A person closed .* runs until 24 June 2026\./,
    );
  });

  test.each<[string, string, number]>([
    ["a rule that there is not", "/patients/anna/explain?rule=happiness", 404],
    ["no rule", "/patients/anna/explain", 400],
    ["a person who is not here", "/patients/nobody/explain?rule=low-use", 404],
    ["a day that is no day", "/patients/anna/explain?rule=low-use&asOf=2026-02-30", 400],
    ["a day that lies ahead", "/patients/anna/explain?rule=low-use&asOf=2026-06-11", 400],
    ["a day before the person was on record", "/patients/anna/explain?rule=low-use&asOf=2026-01-01", 404],
    ["a Task that there is not", "/tasks/none/explain", 404],
    ["something more", "/patients/anna/explain?rule=low-use&really=true", 400],
  ])("%s is refused with an outcome", async (_what, path, status) => {
    const answer = await get<{ resourceType: string }>(path);
    expect([answer.status, answer.body.resourceType]).toEqual([status, "OperationOutcome"]);
  });

  test("a stranger's token finds nobody", async () => {
    expect((await get("/patients/anna/explain?rule=low-use", here.strangersToken)).status).toBe(404);
    const [task] = await tasksOf(here, "anna");
    expect((await get(`/tasks/${task?.id}/explain`, here.strangersToken)).status).toBe(404);
  });
});

describe("a review on paper", () => {
  interface Review {
    findings: { rule: string; thresholdsVersion?: string }[];
    taskSteps: { kind: string; rule?: string }[];
  }

  test("finds what the last review found and would do nothing more", async () => {
    const { body } = await get<Review>("/patients/anna/review");
    expect(body.findings.map((one) => one.rule).sort()).toEqual(["low-use", "part-overdue"]);
    expect(body.findings[0]?.thresholdsVersion).toBe(here.service.thresholds.version);
  });

  test("as of the day of the first review would do what that did", async () => {
    const { body } = await get<Review>("/patients/anna/review?asOf=2026-05-20T12:01:00Z");
    // What the patient did in May was read off the machine in June only.
    expect(body.findings.map((one) => one.rule)).toEqual(["no-recent-record"]);
    const later = await get<Review>("/patients/anna/review?asOf=2026-06-05");
    expect(later.body.findings.map((one) => one.rule)).toContain("part-overdue");
    expect(later.body.taskSteps).toContainEqual({ kind: "raise", rule: "part-overdue" });
  });

  test("is not answered to a stranger", async () => {
    expect((await get("/patients/anna/review", here.strangersToken)).status).toBe(404);
  });
});

describe("the days of a person", () => {
  test("come with every measure, by part and by plan", async () => {
    interface Days {
      measures: { code: string; numerator: number; denominator: number; band?: string }[];
      byPart: { part: string; numerator: number }[];
      byPlan: { planId?: string }[];
      bands: { note: string };
      days: { day: string; parts: Record<string, string> }[];
    }
    const { body } = await get<Days>("/patients/anna/days?firstDay=2026-05-27&endDay=2026-06-10");
    expect(body.measures.map((one) => one.code)).toHaveLength(6);
    expect(body.measures[1]).toMatchObject({ code: "sessions-completed", numerator: 3, denominator: 28, band: "low" });
    expect(body.byPart.map(({ part, numerator }) => [part, numerator])).toEqual([
      ["morning", 3],
      ["evening", 0],
    ]);
    expect(body.byPlan).toMatchObject([{ planId: "plan-anna" }]);
    expect(body.bands.note).toMatch(/Not validated/);
    expect(body.days[0]?.parts).toMatchObject({ evening: "missed" });
  });
});

describe("the change signal", () => {
  interface Signal {
    settings: { on: boolean };
    note: string;
    signal?: { absentReason?: string; points: unknown[] };
    weekly: { firstDay: string; done: number; known: number }[];
  }

  test("is off unless somebody switches it on, and says how often such signals are right", async () => {
    const { body } = await get<Signal>("/patients/anna/change-signal");
    expect(body).toMatchObject({ settings: { on: false } });
    expect(body).not.toHaveProperty("signal");
    expect(body.note).toMatch(/53 to 60 %/);
    expect(body.weekly).toHaveLength(4);
  });

  test("switched on for the plan it has its points", async () => {
    const value = { ...here.service.thresholds.changeSignal, on: true };
    const set = await here.app.inject({
      method: "PUT",
      url: "/api/v1/plans/plan-anna/thresholds",
      headers: { authorization: `Bearer ${here.token}`, "content-type": "application/json" },
      payload: { settings: { changeSignal: { value, source: "Agreed in clinic" } }, note: "Watch for a while" },
    });
    expect(set.statusCode).toBe(200);
    const { body } = await get<Signal>("/patients/anna/change-signal");
    expect(body.signal?.points).toHaveLength(28);
  });

  test("of nobody is refused", async () => {
    expect((await get("/patients/nobody/change-signal")).status).toBe(404);
    expect((await get("/patients/anna/change-signal", here.strangersToken)).status).toBe(404);
  });
});
