import { once } from "node:events";
import { createServer } from "node:http";
import type { AddressInfo } from "node:net";
import type { Logger } from "pino";

/** A door of its own for the numbers, which are for whoever runs the service and for nobody else. */
export interface MetricsDoor {
  readonly port: number;
  close(): Promise<void>;
}

/** Listens for GET /metrics; throws where the port is taken. It asks nobody for a token: who reaches the address may read. */
export async function openMetricsDoor(
  { port, host, log }: { readonly port: number; readonly host: string; readonly log: Pick<Logger, "error"> },
  tell: () => Promise<{ readonly contentType: string; readonly text: string }>,
): Promise<MetricsDoor> {
  const server = createServer({ requestTimeout: 10_000, headersTimeout: 5_000 }, (request, response) => {
    const isOurs = /^\/metrics(\?|$)/.test(request.url ?? "");
    if (!isOurs || (request.method !== "GET" && request.method !== "HEAD")) {
      const status = isOurs ? 405 : 404;
      response.writeHead(status, { "content-type": "text/plain", ...(isOurs ? { allow: "GET, HEAD" } : {}) });
      response.end(isOurs ? "Ask with GET.\n" : "The numbers are at /metrics.\n");
      return;
    }
    tell().then(
      ({ contentType, text }) => {
        response.writeHead(200, { "content-type": contentType, "cache-control": "no-store" });
        response.end(request.method === "HEAD" ? undefined : text);
      },
      (error: unknown) => {
        log.error({ err: error }, "the metrics could not be told");
        response.writeHead(500, { "content-type": "text/plain" }).end("The metrics could not be told.\n");
      },
    );
  });
  server.maxConnections = 20;
  server.listen(port, host);
  await once(server, "listening").catch((error: { code?: string }) => {
    if (error.code !== "EADDRINUSE") throw error;
    throw new Error(`METRICS_PORT ${port} on ${host} is taken. Stop what uses it, or set another.`);
  });
  return {
    port: (server.address() as AddressInfo).port,
    async close() {
      server.closeAllConnections();
      await new Promise((resolve) => server.close(resolve));
    },
  };
}
