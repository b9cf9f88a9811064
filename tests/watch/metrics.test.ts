import { afterAll, beforeAll, expect, test } from "vitest";
import { noNotifications, type Send } from "../../src/flows/notification-settings.ts";
import { watchedService } from "../../src/open-watch.ts";
import { openMetrics } from "../../src/watch/metrics.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { readExposition, sampleOf } from "../support/exposition.ts";

const metrics = openMetrics();
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { watchers: [metrics] });
});

afterAll(() => here.close());

const get = (url: string) => here.app.inject({ url, headers: here.headers });

test("requests are counted by the route as it was declared, their method and the class of their status", async () => {
  await get("/fhir/Patient/ada");
  await get("/fhir/Patient/ben");
  const text = await metrics.text();
  const route = { route: "/fhir/:type/:id", method: "GET" };
  expect(sampleOf(text, "tidegate_http_requests_total", { ...route, status: "4xx" })).toBe(2);
  expect(sampleOf(text, "tidegate_http_request_duration_seconds_count", route)).toBe(2);
  expect(sampleOf(text, "tidegate_http_requests_in_flight")).toBe(0);
});

test("a refusal is counted by its R4 issue type", async () => {
  await here.app.inject({ url: "/fhir/Patient/ada" });
  await here.app.inject({ method: "PUT", url: "/fhir/Patient/ada", headers: here.headers, payload: "{" });
  const text = await metrics.text();
  expect(sampleOf(text, "tidegate_http_refused_total", { kind: "not-found" })).toBeGreaterThanOrEqual(1);
  expect(sampleOf(text, "tidegate_http_refused_total", { kind: "login" })).toBe(1);
  expect(sampleOf(text, "tidegate_http_refused_total", { kind: "structure" })).toBe(1);
});

// Prometheus, Metric and label naming: no label for what has no bounds (https://prometheus.io/docs/practices/naming/#labels).
test("a thousand ids, addresses and parameters add no series", async () => {
  const ask = async (number: number) => {
    await get(`/fhir/Patient/id-${number}`);
    await get(`/fhir/Patient?name=name-${number}`);
    await get(`/nowhere/${number}`);
    await get(`/fhir/Type${number}/1`);
    await get(`/api/v1/patients/p-${number}/days`);
  };
  await ask(0);
  const before = readExposition(await metrics.text()).samples.length;
  for (let number = 1; number <= 1_000; number++) await ask(number);
  const { samples } = readExposition(await metrics.text());
  expect(samples).toHaveLength(before);
  const told = JSON.stringify(samples.map(({ labels }) => labels));
  expect(told).not.toMatch(/id-\d|name-\d|p-\d|nowhere|Type\d/);
  expect(samples.find(({ labels }) => labels.route === "none")?.value).toBeGreaterThanOrEqual(1_000);
}, 120_000);

test("the text is the exposition format, every metric with its type, counters ending in _total", async () => {
  const { types, samples } = readExposition(await metrics.text());
  for (const [name, type] of types) {
    expect(name).toMatch(/^tidegate_[a-z_]+$/);
    expect(name.endsWith("_total")).toBe(type === "counter");
  }
  expect(samples.length).toBeGreaterThan(20);
});

test("statements that are asked for a tenant are timed", async () => {
  const before = sampleOf(await metrics.text(), "tidegate_database_statement_seconds_count") ?? 0;
  await get("/fhir/Patient/ada");
  expect(sampleOf(await metrics.text(), "tidegate_database_statement_seconds_count")).toBeGreaterThan(before);
});

test("a job is counted and timed by its kind and how it ended", async () => {
  metrics.onJob("review-patient", undefined).ended();
  metrics.onJob("review-patient", undefined).ended(new Error("broken"));
  const text = await metrics.text();
  for (const outcome of ["done", "failed"])
    expect(sampleOf(text, "tidegate_jobs_done_total", { kind: "review-patient", outcome })).toBe(1);
  expect(sampleOf(text, "tidegate_job_duration_seconds_count", { kind: "review-patient" })).toBe(2);
});

test("what is sent to endpoints is counted by whether it was taken, and timed", async () => {
  const send: Send = async ({ url }) => (url.endsWith("/in") ? undefined : "The endpoint answered with 500.");
  const quiet = { ...noNotifications, send };
  const watched = watchedService({ ...here.service, notifications: quiet }, [metrics]);
  const sending = { method: "POST", headers: {}, body: "", timeoutMs: 100 } as const;
  const answers = ["in", "in", "broken"].map((path) =>
    watched.notifications?.send({ ...sending, url: `https://a.test/${path}` }),
  );
  expect(await Promise.all(answers)).toEqual([undefined, undefined, "The endpoint answered with 500."]);
  const text = await metrics.text();
  expect(sampleOf(text, "tidegate_notifications_sent_total", { outcome: "taken" })).toBe(2);
  expect(sampleOf(text, "tidegate_notifications_sent_total", { outcome: "not taken" })).toBe(1);
  expect(sampleOf(text, "tidegate_notification_duration_seconds_count")).toBe(3);
});

test("the public door tells none of it", async () => {
  expect((await get("/metrics")).statusCode).toBe(404);
});
