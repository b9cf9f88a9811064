import { expect, test } from "vitest";
import { openMetricsDoor } from "../../src/watch/metrics-door.ts";

const log = { error: () => undefined };
const tell = async () => ({ contentType: "text/plain; version=0.0.4", text: "tidegate_build 1\n" });

test("the numbers are at /metrics of a port of their own, and nothing else is there", async () => {
  const door = await openMetricsDoor({ port: 0, host: "127.0.0.1", log }, tell);
  const origin = `http://127.0.0.1:${door.port}`;
  const answer = await fetch(`${origin}/metrics`);
  expect([answer.status, await answer.text()]).toEqual([200, "tidegate_build 1\n"]);
  expect(answer.headers.get("content-type")).toContain("version=0.0.4");
  expect((await fetch(`${origin}/fhir/Patient`)).status).toBe(404);
  expect((await fetch(`${origin}/metrics`, { method: "POST" })).status).toBe(405);
  await door.close();
  await expect(fetch(`${origin}/metrics`)).rejects.toThrow();
});

test("where they cannot be told the answer says no more than that", async () => {
  const failing = async () => {
    throw new Error("Fernleighton");
  };
  const door = await openMetricsDoor({ port: 0, host: "127.0.0.1", log }, failing);
  const answer = await fetch(`http://127.0.0.1:${door.port}/metrics`);
  expect([answer.status, await answer.text()]).toEqual([500, "The metrics could not be told.\n"]);
  await door.close();
});

test("a port that is taken is named with its variable", async () => {
  const door = await openMetricsDoor({ port: 0, host: "127.0.0.1", log }, tell);
  await expect(openMetricsDoor({ port: door.port, host: "127.0.0.1", log }, tell)).rejects.toThrow(/METRICS_PORT/);
  await door.close();
});
