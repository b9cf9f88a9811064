import { createRequire } from "node:module";
import { expect, test } from "vitest";
import { openWatch, watchedService } from "../src/open-watch.ts";
import { memoryLog } from "./support/memory-log.ts";

const unset = {
  METRICS_PORT: undefined,
  METRICS_HOST: "127.0.0.1",
  OTEL_EXPORTER_OTLP_ENDPOINT: undefined,
  OTEL_TRACES_SAMPLER_ARG: 1,
};
const log = memoryLog("info").logger;
const loaded = () =>
  Object.keys(createRequire(import.meta.url).cache).filter((path) => /prom-client|opentelemetry/.test(path));

test("where nothing is configured nobody watches, no port is opened, and none of the code is read", async () => {
  const watch = await openWatch(unset, "0.0.0", log);
  expect(watch.watchers).toEqual([]);
  expect(await watch.listen({} as never)).toBeUndefined();
  expect(loaded()).toEqual([]);
  const service = { database: {} } as never;
  expect(watchedService(service, watch.watchers)).toBe(service);
  await watch.close();
});

test("where they are, the metrics are counted and the spans are told", async () => {
  const settings = { ...unset, METRICS_PORT: 0, OTEL_EXPORTER_OTLP_ENDPOINT: "http://127.0.0.1:1" };
  const watch = await openWatch(settings, "0.0.0", log);
  expect(watch.watchers).toHaveLength(2);
  expect(loaded()).not.toEqual([]);
  await watch.close();
});
