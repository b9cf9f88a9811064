import { setTimeout as sleep } from "node:timers/promises";
import { context, type Span, type SpanContext, SpanKind, SpanStatusCode, trace } from "@opentelemetry/api";
import { OTLPTraceExporter } from "@opentelemetry/exporter-trace-otlp-http";
import { resourceFromAttributes } from "@opentelemetry/resources";
import {
  BatchSpanProcessor,
  ParentBasedSampler,
  type SpanExporter,
  TraceIdRatioBasedSampler,
  TracerProvider,
} from "@opentelemetry/sdk-trace";
import type { FastifyInstance, FastifyRequest } from "fastify";
import { statementName } from "./statement-name.ts";
import type { Watcher } from "./watcher.ts";

/** Where spans go, and how many of those requests that nobody traces yet begin a trace: 1 all, 0 none. */
export interface TraceSettings {
  readonly endpoint: string;
  readonly ratio: number;
  readonly softwareVersion: string;
}

const closingMs = 2_000;

/**
 * Tells spans of requests, jobs and statements. Names and numbers alone: no address, no value, no word of an error. What a span
 * belongs to is handed from hand to hand as a `traceparent` (https://www.w3.org/TR/trace-context/), also through the job table.
 */
export function openTraces(
  { endpoint, ratio, softwareVersion }: TraceSettings,
  exporter: SpanExporter = new OTLPTraceExporter({ url: `${endpoint.replace(/\/+$/, "")}/v1/traces` }),
): Watcher {
  const provider = new TracerProvider({
    resource: resourceFromAttributes({ "service.name": "tidegate", "service.version": softwareVersion }),
    sampler: new ParentBasedSampler({ root: new TraceIdRatioBasedSampler(ratio) }),
    spanProcessors: [new BatchSpanProcessor({ exporter })],
  });
  const tracer = provider.getTracer("tidegate");
  const begin = (name: string, kind: SpanKind, parent: string | undefined) =>
    tracer.startSpan(name, { kind }, under(parent));
  return {
    watchApp: (app) => traceRequests(app, begin),
    onStatement(text, cause) {
      // One that nobody asked for in a request or job would be a trace of its own, and tell nothing.
      if (cause?.traceparent === undefined) return () => undefined;
      const span = begin(statementName(text), SpanKind.CLIENT, cause.traceparent);
      span.setAttribute("db.system.name", "postgresql");
      return (error) => end(span, error !== undefined);
    },
    onJob(kind, cause) {
      const span = begin(`job ${kind}`, SpanKind.CONSUMER, cause?.traceparent);
      const own = cause && { requestId: cause.requestId, traceparent: textOf(span.spanContext()) };
      return { ...(own === undefined ? {} : { cause: own }), ended: (error) => end(span, error !== undefined) };
    },
    // A notification tells of the writes of many requests and belongs to the trace of none.
    onSend: () => () => undefined,
    // The exporter tries again for long: spans are not worth a stop that does not end.
    close: () => Promise.race([provider.shutdown(), sleep(closingMs, undefined, { ref: false })]),
  };
}

type Begin = (name: string, kind: SpanKind, parent: string | undefined) => Span;

function traceRequests(app: FastifyInstance, begin: Begin): void {
  const spans = new WeakMap<FastifyRequest, Span>();
  const leave = (request: FastifyRequest, status?: number) => {
    const span = spans.get(request);
    if (span === undefined) return;
    spans.delete(request);
    if (status !== undefined) span.setAttribute("http.response.status_code", status);
    // A refusal is the client's error and not this service's (OpenTelemetry semantic conventions, HTTP spans, server).
    end(span, status === undefined || status >= 500);
  };
  app.addHook("onRequest", async (request) => {
    const { url: route = "" } = request.routeOptions;
    if (route.startsWith("/health/")) return;
    const given = request.headers.traceparent;
    const span = begin(
      `${request.method} ${route}`.trim(),
      SpanKind.SERVER,
      typeof given === "string" ? given : undefined,
    );
    span.setAttributes({
      "http.request.method": request.method,
      "http.route": route,
      "tidegate.request_id": request.id,
    });
    spans.set(request, span);
    request.traceparent = textOf(span.spanContext());
    request.log = request.log.child({ traceId: span.spanContext().traceId });
  });
  app.addHook("onResponse", async (request, reply) => leave(request, reply.statusCode));
  app.addHook("onRequestAbort", async (request) => leave(request));
}

function end(span: Span, failed: boolean): void {
  if (failed) span.setStatus({ code: SpanStatusCode.ERROR });
  span.end();
}

// All zeroes are not valid, and ff is no version (Trace Context, 2.2.2 and 3.2.2).
const traceparents = /^(?!ff)[0-9a-f]{2}-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-([0-9a-f]{2})(-.*)?$/;

/** The context of a span elsewhere; that of no span for a text that names none. */
function under(traceparent: string | undefined) {
  const [, traceId, spanId, flags] = traceparents.exec(traceparent ?? "") ?? [];
  if (traceId === undefined || spanId === undefined) return context.active();
  const remote: SpanContext = { traceId, spanId, traceFlags: Number.parseInt(flags ?? "0", 16) & 1, isRemote: true };
  return trace.setSpanContext(context.active(), remote);
}

function textOf({ traceId, spanId, traceFlags }: SpanContext): string {
  return `00-${traceId}-${spanId}-${(traceFlags & 1).toString(16).padStart(2, "0")}`;
}
