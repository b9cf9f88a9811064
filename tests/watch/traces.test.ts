import type { ReadableSpan, SpanExporter } from "@opentelemetry/sdk-trace";
import { beforeAll, expect, test } from "vitest";
import { jobsOf } from "../../src/flows/jobs.ts";
import { openTraces } from "../../src/watch/traces.ts";
import { watchedJobs } from "../../src/watch/watched-jobs.ts";
import { testApp } from "../support/app.ts";
import { onServer } from "../support/database.ts";
import { memoryLog } from "../support/memory-log.ts";

const spans: ReadableSpan[] = [];
const collected: SpanExporter = {
  export: (some, done) => {
    spans.push(...some);
    done({ code: 0 });
  },
  shutdown: async () => undefined,
};
const log = memoryLog("debug");
// Trace Context, 3.2.2: the example of the header (https://www.w3.org/TR/trace-context/).
const traceId = "4bf92f3577b34da6a3ce929d0e0e4736";
const traceparent = `00-${traceId}-00f067aa0ba902b7-01`;

const patient = { resourceType: "Patient", id: "ada", name: [{ family: "Fernleighton" }], birthDate: "1937-11-23" };

beforeAll(async () => {
  const traces = openTraces(
    { endpoint: "http://collector.invalid:4318", ratio: 1, softwareVersion: "0.0.0" },
    collected,
  );
  const here = await testApp("2026-04-10T09:00:00Z", { watchers: [traces], log: log.logger });
  const headers = { ...here.headers, traceparent, "x-request-id": "asked-1" };
  await here.app.inject({ method: "PUT", url: "/fhir/Patient/ada", headers, payload: JSON.stringify(patient) });
  await here.app.inject({ url: "/fhir/Patient?name=Fernleighton", headers });
  await here.app.inject({
    url: "/fhir/Patient/none",
    headers: { ...here.headers, traceparent: `00-${"0".repeat(32)}-1-01` },
  });
  const unsampled = { ...here.headers, traceparent: traceparent.replace(/01$/, "00") };
  await here.app.inject({ url: "/fhir/Patient/ada/_history", headers: unsampled });
  const queued = await onServer(here.connectionString, (client) =>
    client.query<{ payload: unknown }>("select payload from graphile_worker._private_jobs where key like 'review:%'"),
  );
  expect(queued.rows).toHaveLength(1);
  const jobs = watchedJobs(jobsOf(here.service), log.logger, [traces]);
  await jobs["review-patient"]?.(queued.rows[0]?.payload);
  await here.close();
  await traces.close();
});

const named = (name: string) => spans.filter((span) => span.name === name);

test("a request with a traceparent goes on in that trace; its statements are spans below it", () => {
  const [put] = named("PUT /fhir/:type/:id");
  expect(put?.spanContext().traceId).toBe(traceId);
  expect(put?.parentSpanContext?.spanId).toBe("00f067aa0ba902b7");
  expect(put?.attributes).toMatchObject({ "http.response.status_code": 201, "tidegate.request_id": "asked-1" });
  const below = spans.filter((span) => span.parentSpanContext?.spanId === put?.spanContext().spanId);
  expect(below.map((span) => span.name)).toContain("select queue_reviews");
  expect(below.length).toBeGreaterThan(2);
});

test("the job that follows from it goes on in the same trace, and so do the job's own statements", () => {
  const [put] = named("PUT /fhir/:type/:id");
  const [job] = named("job review-patient");
  expect(job?.spanContext().traceId).toBe(traceId);
  expect(job?.parentSpanContext?.spanId).toBe(put?.spanContext().spanId);
  expect(spans.some((span) => span.parentSpanContext?.spanId === job?.spanContext().spanId)).toBe(true);
});

test("a traceparent that is not valid begins a trace of its own (Trace Context, 3.2.2.3)", () => {
  const [read] = named("GET /fhir/:type/:id");
  expect(read?.spanContext().traceId).not.toBe("0".repeat(32));
  expect(read?.parentSpanContext).toBeUndefined();
  // A refusal is no error of the service (OpenTelemetry semantic conventions, HTTP server spans).
  expect(read?.status.code).toBe(0);
});

test("whoever asks not to be traced is not", () => {
  expect(named("GET /fhir/:type/:id/_history")).toEqual([]);
});

test("no span holds an address, a value or a name", () => {
  const told = JSON.stringify(
    spans.map(({ name, attributes, events, status }) => ({ name, attributes, events, status })),
  );
  expect(told).not.toMatch(/Fernleighton|1937|\bada\b|name=|\$1/);
  expect(spans.length).toBeGreaterThan(5);
});

test("the log tells of the job with the id of the request that caused it, and of the request with its trace", () => {
  const lines = log.lines().map((line) => JSON.parse(line) as Record<string, unknown>);
  expect(lines.find(({ job }) => job === "review-patient")).toMatchObject({ reqId: "asked-1", msg: "a job is done" });
  expect(lines.find(({ msg, method }) => msg === "answered" && method === "PUT")).toMatchObject({
    reqId: "asked-1",
    traceId,
  });
});
