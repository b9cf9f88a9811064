import { monitorEventLoopDelay } from "node:perf_hooks";
import type { Pool } from "pg";
import type { Database } from "../store/database.ts";
import { type HouseCount, houseCounts } from "../store/house-counts.ts";
import type { MetricKey } from "./metric-list.ts";
import type { Metrics } from "./metrics.ts";

/** Where the numbers come from that nobody counts as they change. */
export interface MetricSources {
  readonly database: Database;
  readonly softwareVersion: string;
  /** Entries of reads that wait in this process. */
  auditWaiting(): number;
  /** How old the replica is, in milliseconds, undefined where it is left out; absent where none is configured. */
  readonly replicaLagMs?: () => number | undefined;
  /** What /health/ready looks at, check by check. */
  readiness(): Promise<Readonly<Record<string, boolean>>>;
}

/** How long numbers from the database are told again without asking: several who scrape must not cost several questions. */
const countsKeptMs = 5_000;

const lagSampleMs = 10;

/** Brings the gauges up to date, whenever somebody asks for them; answers how to end what measures. */
export function openGauges(metrics: Metrics, sources: MetricSources): { refresh(): Promise<void>; close(): void } {
  const lag = monitorEventLoopDelay({ resolution: lagSampleMs });
  lag.enable();
  metrics.set("build", 1, { version: sources.softwareVersion });
  metrics.set("started", Date.now() / 1_000 - process.uptime());
  let cpu = { user: 0, system: 0 };
  let readMs = Number.NEGATIVE_INFINITY;
  let reading: Promise<void> | undefined;
  metrics.add("countsFailed", 0);
  for (const key of ["replicaLag", "replicaInUse", "countsAge"] as const) metrics.clear(key);

  async function readCounts(): Promise<void> {
    try {
      const [counts, checks] = await Promise.all([houseCounts(sources.database), sources.readiness()]);
      showCounts(metrics, counts);
      for (const [check, holds] of Object.entries(checks)) metrics.set("ready", holds ? 1 : 0, { check });
      readMs = performance.now();
    } catch {
      // The rest of the numbers is worth most while the database is away; how old these are is told.
      metrics.add("countsFailed", 1);
      for (const [check, holds] of Object.entries(await sources.readiness())) {
        metrics.set("ready", holds ? 1 : 0, { check });
      }
    }
  }

  function showProcess(): void {
    for (const [quantile, nanoseconds] of [
      ["0.5", lag.percentile(50)],
      ["0.99", lag.percentile(99)],
      ["1", lag.max],
    ] as const) {
      // What is measured is the time from one sample to the next, of which the pause between them is no delay.
      metrics.set("loopLag", Math.max(0, nanoseconds / 1e9 - lagSampleMs / 1e3), { quantile });
    }
    lag.reset();
    const { rss, heapUsed, heapTotal, external } = process.memoryUsage();
    for (const [area, bytes] of Object.entries({ resident: rss, heap_used: heapUsed, heap: heapTotal, external })) {
      metrics.set("memory", bytes, { area });
    }
    const used = process.cpuUsage();
    metrics.add("cpu", (used.user - cpu.user) / 1e6, { mode: "user" });
    metrics.add("cpu", (used.system - cpu.system) / 1e6, { mode: "system" });
    cpu = used;
  }

  return {
    async refresh() {
      showProcess();
      showPools(metrics, sources.database);
      metrics.set("auditBuffer", sources.auditWaiting());
      showReplica(metrics, sources.replicaLagMs);
      if (performance.now() - readMs > countsKeptMs) {
        reading ??= readCounts().finally(() => {
          reading = undefined;
        });
        await reading;
      }
      if (Number.isFinite(readMs)) metrics.set("countsAge", (performance.now() - readMs) / 1_000);
    },
    close: () => lag.disable(),
  };
}

const shownAs: Readonly<
  Record<HouseCount["counted"], { key: MetricKey; labels: readonly ("kind" | "state")[]; as?: string }>
> = {
  job: { key: "jobs", labels: ["kind", "state"] },
  "noted entry": { key: "auditNoted", labels: [] },
  "bulk job": { key: "bulkJobs", labels: ["kind", "state"] },
  upload: { key: "uploads", labels: ["state"], as: "status" },
  message: { key: "messages", labels: ["state"], as: "status" },
  subscription: { key: "subscriptions", labels: ["state"] },
  notification: { key: "notifications", labels: [] },
  "row astray": { key: "rowsAstray", labels: ["kind"], as: "table" },
};

/** Adds up what each tenant has. */
function showCounts(metrics: Metrics, counts: readonly HouseCount[]): void {
  metrics.clear("jobsOldest");
  for (const { key } of Object.values(shownAs)) metrics.clear(key);
  const sums = new Map<string, { key: MetricKey; labels: Record<string, string>; rows: number }>();
  let oldestSeconds = 0;
  for (const count of counts) {
    const { key, labels: names, as } = shownAs[count.counted];
    const labels = Object.fromEntries(names.map((name) => [as ?? name, count[name]]));
    const place = `${key} ${JSON.stringify(labels)}`;
    sums.set(place, { key, labels, rows: (sums.get(place)?.rows ?? 0) + count.rows });
    if (count.counted === "notification") oldestSeconds = Math.max(oldestSeconds, count.oldestSeconds ?? 0);
    if (count.counted === "job" && count.state === "waiting") {
      metrics.set("jobsOldest", count.oldestSeconds ?? 0, { kind: count.kind });
    }
  }
  metrics.set("notificationsOldest", oldestSeconds);
  for (const { key, labels, rows } of sums.values()) metrics.set(key, rows, labels);
}

function showPools(metrics: Metrics, { pool, readPool, streamPool }: Database): void {
  for (const [name, one] of Object.entries({ write: pool, read: readPool, stream: streamPool }) as [string, Pool][]) {
    metrics.set("connections", one.totalCount - one.idleCount, { pool: name, state: "busy" });
    metrics.set("connections", one.idleCount, { pool: name, state: "idle" });
    metrics.set("connections", one.waitingCount, { pool: name, state: "waited for" });
  }
}

function showReplica(metrics: Metrics, lagMs: MetricSources["replicaLagMs"]): void {
  if (lagMs === undefined) return;
  const lag = lagMs();
  metrics.set("replicaInUse", lag === undefined ? 0 : 1);
  metrics.clear("replicaLag");
  if (lag !== undefined) metrics.set("replicaLag", lag / 1_000);
}
