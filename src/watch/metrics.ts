import type { FastifyInstance, FastifyRequest } from "fastify";
import { Counter, Gauge, Histogram, Registry } from "prom-client";
import { type MetricKey, metricList } from "./metric-list.ts";
import type { Watcher } from "./watcher.ts";

/** What a metric holds besides its number. */
export type Labels = Readonly<Record<string, string>>;

/** The numbers of one process, and who counts them. */
export interface Metrics extends Watcher {
  set(key: MetricKey, value: number, labels?: Labels): void;
  add(key: MetricKey, value: number, labels?: Labels): void;
  observe(key: MetricKey, seconds: number, labels?: Labels): void;
  /** Forgets what a gauge held: kinds that are no longer there must not stand at their last number. */
  clear(key: MetricKey): void;
  /** All of it in the exposition format (https://prometheus.io/docs/instrumenting/exposition_formats/). */
  text(): Promise<string>;
  readonly contentType: string;
}

/** Methods that a route is declared for; a client may invent others. */
const methods = new Set(["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"]);

/** Metrics that stand at nothing yet. */
export function openMetrics(): Metrics {
  const registry = new Registry();
  const made = new Map<MetricKey, Counter | Gauge | Histogram>();
  for (const [key, declared] of Object.entries(metricList) as [MetricKey, (typeof metricList)[MetricKey]][]) {
    const { name, help, type } = declared;
    const common = { name, help, labelNames: [...declared.labels], registers: [registry] };
    if (type === "counter") made.set(key, new Counter(common));
    else if (type === "gauge") made.set(key, new Gauge(common));
    else made.set(key, new Histogram({ ...common, buckets: [...("buckets" in declared ? declared.buckets : [])] }));
  }
  const statements = made.get("statements") as Histogram;
  const metrics: Omit<Metrics, keyof Watcher> = {
    set: (key, value, labels = {}) => (made.get(key) as Gauge).set(labels, value),
    add: (key, value, labels = {}) => (made.get(key) as Counter).inc(labels, value),
    observe: (key, seconds, labels = {}) => (made.get(key) as Histogram).observe(labels, seconds),
    clear(key) {
      made.get(key)?.reset();
      // One without labels would go back to 0, which says something.
      if (metricList[key].labels.length === 0) made.get(key)?.remove();
    },
    text: () => registry.metrics(),
    contentType: registry.contentType,
  };
  return {
    ...metrics,
    watchApp: (app) => countRequests(app, metrics),
    onStatement: () => {
      const begunMs = performance.now();
      return () => statements.observe((performance.now() - begunMs) / 1_000);
    },
    onJob(kind) {
      const begunMs = performance.now();
      return {
        ended(error) {
          metrics.observe("jobDuration", (performance.now() - begunMs) / 1_000, { kind });
          metrics.add("jobsDone", 1, { kind, outcome: error === undefined ? "done" : "failed" });
        },
      };
    },
    onSend() {
      const begunMs = performance.now();
      return (problem) => {
        metrics.observe("sendDuration", (performance.now() - begunMs) / 1_000);
        metrics.add("sent", 1, { outcome: problem === undefined ? "taken" : "not taken" });
      };
    },
    close: async () => undefined,
  };
}

/**
 * Counts by the route as it was declared: an address holds ids and names, and there is no end of them. A request whose
 * connection broke before its answer ends as status "none".
 */
function countRequests(app: FastifyInstance, metrics: Pick<Metrics, "add" | "observe" | "set">): void {
  let inFlight = 0;
  const open = new WeakSet<FastifyRequest>();
  const leave = (request: FastifyRequest, status: string, seconds?: number) => {
    if (!open.delete(request)) return;
    inFlight -= 1;
    metrics.set("inFlight", inFlight);
    const { url: route = "none" } = request.routeOptions;
    const method = methods.has(request.method) ? request.method : "other";
    metrics.add("requests", 1, { route, method, status });
    if (seconds !== undefined) metrics.observe("duration", seconds, { route, method });
    if (request.refusedAs !== undefined) metrics.add("refused", 1, { kind: request.refusedAs });
  };
  metrics.set("inFlight", 0);
  app.addHook("onRequest", async (request) => {
    open.add(request);
    inFlight += 1;
    metrics.set("inFlight", inFlight);
  });
  app.addHook("onResponse", async (request, reply) => {
    leave(request, `${Math.floor(reply.statusCode / 100)}xx`, reply.elapsedTime / 1_000);
  });
  app.addHook("onRequestAbort", async (request) => leave(request, "none"));
}
