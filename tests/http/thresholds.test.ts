import fc from "fast-check";
import { afterAll, beforeAll, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { halfUser } from "../support/half-user.ts";

const dayMs = 86_400_000;
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

interface Sent {
  readonly url?: string;
  readonly token?: string;
  readonly body?: unknown;
}

function set(settings: unknown, { url = "/api/v1/thresholds", token = here.token, body = {} }: Sent = {}) {
  return here.app.inject({
    method: "PUT",
    url,
    headers: { authorization: `Bearer ${token}`, "content-type": "application/json" },
    payload: JSON.stringify({ settings, note: "Agreed in the team", ...(body as object) }),
  });
}

async function get(url = "/api/v1/thresholds", token = here.token) {
  const answer = await here.app.inject({ method: "GET", url, headers: { authorization: `Bearer ${token}` } });
  return { status: answer.statusCode, body: answer.json() };
}

const local = <T>(value: T) => ({ value, source: "Local policy 7" });

test("before anything is set the defaults hold, each with its source, its unit and what it may be", async () => {
  const { status, body } = await get("/api/v1/thresholds", here.strangersToken);
  expect(status).toBe(200);
  expect([body.version, body.own]).toEqual([here.service.thresholds.version, null]);
  expect(body.thresholds.lowUseBelowShare).toEqual({
    value: 0.5,
    unit: "1",
    source: here.service.thresholds.sources.lowUseBelowShare,
    level: "default",
    allowed: "a number above 0 up to 1",
  });
  expect((await get("/api/v1/thresholds/history", here.strangersToken)).body).toEqual({ versions: [] });
});

test("what one tenant sets is unseen by another, whose plans are none of the first's", async () => {
  await halfUser(here, "mine");
  await set({ lowUseBelowShare: local(0.9) });
  await set({ lowUseBelowShare: local(0.8) }, { url: "/api/v1/plans/plan-mine/thresholds" });
  const theirs = await get("/api/v1/thresholds", here.strangersToken);
  expect([theirs.body.own, theirs.body.thresholds.lowUseBelowShare.value]).toEqual([null, 0.5]);
  for (const url of ["/api/v1/plans/plan-mine/thresholds", "/api/v1/plans/plan-mine/thresholds/history"]) {
    expect((await get(url, here.strangersToken)).status).toBe(404);
  }
  const url = "/api/v1/plans/plan-mine/thresholds";
  expect((await set({}, { url, token: here.strangersToken })).statusCode).toBe(404);
});

test.each([
  ["an unknown name", { lowUseBelowshare: local(0.4) }, 422, "settings.lowUseBelowshare", "lowUseBelowShare"],
  ["a share above 1", { lowUseBelowShare: local(50) }, 422, "settings.lowUseBelowShare.value", "up to 1"],
  ["a value without source", { lowUseBelowShare: { value: 0.4 } }, 422, "settings.lowUseBelowShare.source", "source"],
  ["a bare value", { lowUseBelowShare: 0.4 }, 422, "settings.lowUseBelowShare", "{ value, source }"],
  ["half a day", { lowUseWindowDays: local(7.5) }, 422, "settings.lowUseWindowDays.value", "whole number"],
  [
    "day parts that overlap",
    {
      dayParts: local([
        { code: "a", from: "04:00", to: "12:00" },
        { code: "b", from: "11:00", to: "16:00" },
      ]),
    },
    422,
    "settings.dayParts.value[1]",
    "overlaps",
  ],
  [
    "a rule of safety switched off",
    { disabledRules: local(["plan-needs-hold"]) },
    422,
    "settings.disabledRules.value[0]",
    "safety",
  ],
  ["a rule that is none", { disabledRules: local(["low-us"]) }, 422, "settings.disabledRules.value[0]", "low-use"],
  [
    "an owner who is no one to own",
    { taskRouting: local([{ owner: "Patient/1" }]) },
    422,
    "settings.taskRouting.value[0].owner",
    "Practitioner",
  ],
  [
    "values that contradict the defaults in force",
    { alertDays: local(8) },
    422,
    "settings.alertDays.value",
    "alertWindowDays (7)",
  ],
  ["no object", [], 400, "settings", ""],
])("%s is refused, with where and what to do", async (_, settings, status, at, says) => {
  const before = (await get()).body.version;
  const answer = await set(settings);
  const issues: { expression?: string[]; details: { text: string } }[] = answer.json().issue;
  expect([answer.statusCode, issues.map((one) => one.expression?.[0])]).toEqual([status, [at]]);
  expect(issues[0]?.details.text).toContain(says);
  expect((await get()).body.version).toBe(before);
});

test.each([
  ["no note", { note: undefined }, "note"],
  ["a note that says nothing", { note: "" }, "note"],
  ["an expected version that is none", { expectedVersion: -1 }, "expectedVersion"],
  ["something else beside", { colour: "red" }, undefined],
])("a request with %s is refused", async (_, body, at) => {
  const answer = await set({}, { body });
  expect([answer.statusCode, answer.json().issue[0].expression?.[0]]).toEqual([400, at]);
});

test("day parts are refused for a plan: they are the tenant's", async () => {
  await halfUser(here, "parts");
  const dayParts = local([{ code: "morning", from: "04:00", to: "12:00" }]);
  const answer = await set({ dayParts }, { url: "/api/v1/plans/plan-parts/thresholds" });
  expect([answer.statusCode, answer.json().issue[0].expression]).toEqual([422, ["settings.dayParts"]]);
});

test("a plan that is not here has no thresholds", async () => {
  const url = "/api/v1/plans/nobody/thresholds";
  expect((await get(url)).status).toBe(404);
  expect((await get(`${url}/history`)).status).toBe(404);
  expect((await set({}, { url })).statusCode).toBe(404);
});

test("every version stays readable, newest first and page by page; taking all back is one too", async () => {
  await halfUser(here, "versions");
  const url = "/api/v1/plans/plan-versions/thresholds";
  await set({ coolDownDays: local(21) }, { url, body: { note: "First", setBy: "Physiotherapist on duty" } });
  here.clock.at += dayMs;
  await set({}, { url, body: { note: "Back to the usual" } });
  here.clock.at -= dayMs;
  const first = {
    version: 1,
    setAt: "2026-06-10T12:00:00.000Z",
    setBy: "Physiotherapist on duty",
    note: "First",
    settings: { coolDownDays: local(21) },
  };
  const second = {
    version: 2,
    setAt: "2026-06-11T12:00:00.000Z",
    setBy: null,
    note: "Back to the usual",
    settings: {},
  };
  expect((await get(`${url}/history`)).body).toEqual({ versions: [second, first] });
  expect((await get(`${url}/history?count=1`)).body).toEqual({ versions: [second], next: 2 });
  expect((await get(`${url}/history?count=1&beforeVersion=2`)).body).toEqual({ versions: [first] });
  expect((await get(url)).body.thresholds.coolDownDays).toMatchObject({ value: 14, level: "default" });
});

test("who expects another version than the one in force is refused and overwrites nothing", async () => {
  await halfUser(here, "stale");
  const url = "/api/v1/plans/plan-stale/thresholds";
  const seen = { expectedVersion: 0 };
  expect((await set({ coolDownDays: local(20) }, { url, body: seen })).statusCode).toBe(200);
  const late = await set({ coolDownDays: local(30) }, { url, body: seen });
  expect([late.statusCode, late.json().issue[0].expression]).toEqual([409, ["expectedVersion"]]);
  expect((await get(url)).body.thresholds.coolDownDays.value).toBe(20);
});

test("of settings sent at once none is lost: each is a version of its own", async () => {
  await halfUser(here, "at-once");
  const url = "/api/v1/plans/plan-at-once/thresholds";
  const wanted = [11, 12, 13, 14, 15, 16];
  const answers = await Promise.all(wanted.map((days) => set({ coolDownDays: local(days) }, { url })));
  expect(answers.map((one) => one.statusCode)).toEqual(wanted.map(() => 200));
  const { versions } = (await get(`${url}/history`)).body;
  expect(versions.map((one: { version: number }) => one.version)).toEqual([6, 5, 4, 3, 2, 1]);
  const values = versions.map(
    (one: { settings: { coolDownDays: { value: number } } }) => one.settings.coolDownDays.value,
  );
  expect(values.sort()).toEqual(wanted);
});

test("of two who expect the same version one is refused", async () => {
  await halfUser(here, "both");
  const url = "/api/v1/plans/plan-both/thresholds";
  const answers = await Promise.all([1, 2].map(() => set({}, { url, body: { expectedVersion: 0 } })));
  expect(answers.map((one) => one.statusCode).sort()).toEqual([200, 409]);
});

test("a body of another shape is told what is missing and what is not taken", async () => {
  const answer = await here.app.inject({
    method: "PUT",
    url: "/api/v1/thresholds",
    headers: { authorization: `Bearer ${here.token}` },
    payload: { values: {} },
  });
  expect(answer.statusCode).toBe(400);
  const issues = (answer.json() as { issue: { expression?: string[]; details: { text: string } }[] }).issue;
  expect(issues.map((one) => [one.expression?.[0], one.details.text])).toEqual([
    ["settings", "It is missing. Give it; /docs says what it holds."],
    ["note", "It is missing. Give it; /docs says what it holds."],
    [undefined, 'Unrecognized key: "values". Leave it out; /docs lists what is taken.'],
  ]);
});

test("addresses of thresholds say which methods they take", async () => {
  const answer = await here.app.inject({
    method: "DELETE",
    url: "/api/v1/thresholds",
    headers: { authorization: `Bearer ${here.token}` },
  });
  expect([answer.statusCode, answer.headers.allow]).toEqual([405, "GET, HEAD, PUT"]);
});

const settable = fc.record(
  {
    lowUseBelowShare: fc.double({ min: 0.01, max: 1, noNaN: true }).map(local),
    lowUseWindowDays: fc.integer({ min: 1, max: 365 }).map(local),
    longSittingMinutes: fc.integer({ min: 1, max: 1_440 }).map(local),
    deviceIdleDays: fc.integer({ min: 1, max: 730 }).map(local),
    disabledRules: fc.subarray(["low-use", "part-due", "long-sitting"]).map(local),
    taskRouting: fc
      .array(fc.record({ owner: fc.constantFrom("CareTeam/a", "Practitioner/b"), rule: fc.constant("low-use") }))
      .map(local),
  },
  { requiredKeys: [] },
);

test("whatever valid settings are sent, the same thresholds are read back", async () => {
  await halfUser(here, "any");
  await set({});
  const url = "/api/v1/plans/plan-any/thresholds";
  await fc.assert(
    fc.asyncProperty(settable, async (settings) => {
      const sent = await set(settings, { url });
      expect(sent.statusCode).toBe(200);
      const { body } = await get(url);
      expect(body).toEqual(sent.json());
      expect(body.own.settings).toEqual(JSON.parse(JSON.stringify(settings)));
      for (const [name, entry] of Object.entries(body.thresholds as Record<string, { value: unknown }>)) {
        const own = (settings as Record<string, { value: unknown }>)[name];
        expect(entry.value).toEqual(own?.value ?? here.service.thresholds[name as "lowUseBelowShare"]);
      }
    }),
    { numRuns: 25 },
  );
});
