import { once } from "node:events";
import { createServer } from "node:http";
import type { AddressInfo } from "node:net";
import { expect, test } from "vitest";
import { openTraces } from "../../src/watch/traces.ts";

interface ExportedSpans {
  readonly resourceSpans: {
    readonly resource: { readonly attributes: readonly { key: string; value: { stringValue?: string } }[] };
    readonly scopeSpans: { readonly spans: { name: string; traceId: string; status: { code?: number } }[] }[];
  }[];
}

// OTLP/HTTP: POST to /v1/traces, JSON with lowerCamelCase names (https://opentelemetry.io/docs/specs/otlp/#otlphttp-request).
test("spans reach a collector over OTLP/HTTP, with the service's name, and the last of them at the end", async () => {
  const got: { url: string | undefined; body: string }[] = [];
  const collector = createServer(async (request, response) => {
    let body = "";
    for await (const chunk of request) body += String(chunk);
    got.push({ url: request.url, body });
    response.writeHead(200, { "content-type": "application/json" }).end("{}");
  }).listen(0, "127.0.0.1");
  await once(collector, "listening");
  const { port } = collector.address() as AddressInfo;
  const traces = openTraces({ endpoint: `http://127.0.0.1:${port}/`, ratio: 1, softwareVersion: "9.9.9" });
  const traceparent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
  traces.onJob("review-patient", { requestId: "asked", traceparent }).ended(new Error("Fernleighton"));
  await traces.close();
  collector.close();
  expect(got.map(({ url }) => url)).toEqual(["/v1/traces"]);
  const [told] = (JSON.parse(got[0]?.body ?? "{}") as ExportedSpans).resourceSpans;
  expect(told?.resource.attributes).toContainEqual({ key: "service.name", value: { stringValue: "tidegate" } });
  expect(told?.scopeSpans[0]?.spans[0]).toMatchObject({
    name: "job review-patient",
    traceId: "4bf92f3577b34da6a3ce929d0e0e4736",
    status: { code: 2 },
  });
  expect(got[0]?.body).not.toContain("Fernleighton");
});

test("a collector that is away keeps nobody from ending", async () => {
  const traces = openTraces({ endpoint: "http://127.0.0.1:1", ratio: 1, softwareVersion: "9.9.9" });
  traces.onJob("review-patient", undefined).ended();
  const begun = performance.now();
  await traces.close().catch(() => undefined);
  expect(performance.now() - begun).toBeLessThan(4_000);
});
