import type { FastifyInstance } from "fastify";
import type { Logger } from "pino";
import type { Config } from "./config.ts";
import type { Send } from "./flows/notification-settings.ts";
import type { Service } from "./flows/service.ts";
import type { StatementWatch } from "./store/database.ts";
import type { MetricSources } from "./watch/gauges.ts";
import type { Watcher } from "./watch/watcher.ts";

/** Who watches over this process, as it is configured; often nobody. */
export interface Watch {
  readonly watchers: readonly Watcher[];
  /** Opens the door of the metrics, where one is configured; answers its port. */
  listen(sources: MetricSources): Promise<number | undefined>;
  /** Sends what is left of the spans, and shuts that door. */
  close(): Promise<void>;
}

type WatchSettings = Pick<
  Config,
  "METRICS_PORT" | "METRICS_HOST" | "OTEL_EXPORTER_OTLP_ENDPOINT" | "OTEL_TRACES_SAMPLER_ARG"
>;

/** Reads the code of what is configured, and of nothing else: a service that nobody watches starts as before. */
export async function openWatch(config: WatchSettings, softwareVersion: string, log: Logger): Promise<Watch> {
  const metrics = config.METRICS_PORT === undefined ? undefined : (await import("./watch/metrics.ts")).openMetrics();
  const endpoint = config.OTEL_EXPORTER_OTLP_ENDPOINT;
  const traces =
    endpoint === undefined
      ? undefined
      : (await import("./watch/traces.ts")).openTraces({
          endpoint,
          ratio: config.OTEL_TRACES_SAMPLER_ARG,
          softwareVersion,
        });
  const closing: (() => unknown)[] = [];
  return {
    watchers: [metrics, traces].filter((one) => one !== undefined),
    async listen(sources) {
      if (metrics === undefined || config.METRICS_PORT === undefined) return undefined;
      const { openGauges } = await import("./watch/gauges.ts");
      const { openMetricsDoor } = await import("./watch/metrics-door.ts");
      const gauges = openGauges(metrics, sources);
      const place = { port: config.METRICS_PORT, host: config.METRICS_HOST, log };
      const door = await openMetricsDoor(place, async () => {
        await gauges.refresh();
        return { contentType: metrics.contentType, text: await metrics.text() };
      });
      closing.push(() => door.close(), gauges.close);
      return door.port;
    },
    async close() {
      for (const step of closing) await step();
      // Spans that the collector does not take keep nobody from ending.
      await traces?.close().catch((error: unknown) => log.warn({ err: error }, "the last spans were not taken"));
    },
  };
}

/** The service whose statements are watched, and what it sends to endpoints. */
export function watchedService(service: Service, watchers: readonly Watcher[]): Service {
  if (watchers.length === 0) return service;
  const onStatement: StatementWatch = (text, cause) => {
    const told = watchers.map((one) => one.onStatement(text, cause));
    return (error) => {
      for (const ended of told) ended(error);
    };
  };
  const { notifications } = service;
  return {
    ...service,
    database: { ...service.database, onStatement },
    ...(notifications && { notifications: { ...notifications, send: watchedSend(notifications.send, watchers) } }),
  };
}

function watchedSend(send: Send, watchers: readonly Watcher[]): Send {
  return async (sending) => {
    const told = watchers.map((one) => one.onSend());
    const problem = await send(sending);
    for (const ended of told) ended(problem);
    return problem;
  };
}

/** What puts the watchers' hooks on the doors. */
export function watchingDoors(watchers: readonly Watcher[]): (app: FastifyInstance) => void {
  return (app) => {
    for (const one of watchers) one.watchApp(app);
  };
}
