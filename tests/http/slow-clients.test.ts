import { type AddressInfo, connect, type Socket } from "node:net";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { serverOptions } from "../../src/http/server-options.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { exchangeWith } from "./exchange.ts";

// OWASP API Security Top 10 (2023), API4: unrestricted resource consumption.
let here: TestApp;
let port: number;

const patience = { headersMs: 400, requestMs: 1_200, checkEveryMs: 50 };
const maxConnections = 6;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", {
    edge: { corsOrigins: [], requestsPerMinute: 0, maxConnections, patience },
  });
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  port = (here.app.server.address() as AddressInfo).port;
});

afterAll(() => here.close());

/** A header every `pause`, without end. */
function* headersWithoutEnd(): Generator<string> {
  yield "GET /health/live HTTP/1.1\r\nHost: a\r\n";
  for (let at = 0; ; at += 1) yield `X-${at}: a\r\n`;
}

function* bodyWithoutEnd(): Generator<string> {
  const headers = [`Authorization: ${here.headers.authorization}`, "Content-Type: application/fhir+json"];
  yield ["POST /fhir/Patient HTTP/1.1", "Host: a", ...headers, "Content-Length: 5000", "", "{"].join("\r\n");
  for (;;) yield " ";
}

function* headersOfSize(bytes: number): Generator<string> {
  yield `GET /health/live HTTP/1.1\r\nHost: a\r\nConnection: close\r\nX-A: ${"a".repeat(bytes)}\r\n\r\n`;
}

function* manyHeaders(count: number): Generator<string> {
  const headers = Array.from({ length: count }, (_, at) => `X-${at}: a`);
  yield ["GET /health/live HTTP/1.1", "Host: a", "Connection: close", ...headers, "", ""].join("\r\n");
}

describe("a client that takes its time", () => {
  test("with its headers is cut off with 408, though it keeps sending", async () => {
    const { received, afterMs } = await exchangeWith(port, headersWithoutEnd(), 30);
    expect(received).toMatch(/^HTTP\/1\.1 408 /);
    expect(received).toContain('"resourceType":"OperationOutcome"');
    expect(afterMs).toBeGreaterThan(patience.headersMs - 50);
    expect(afterMs).toBeLessThan(patience.headersMs + 3_000);
  });

  test("with its body is cut off with 408, and nothing is stored", async () => {
    const { received, afterMs } = await exchangeWith(port, bodyWithoutEnd(), 30);
    expect(received).toMatch(/^HTTP\/1\.1 408 /);
    expect(afterMs).toBeGreaterThan(patience.requestMs - 50);
    expect(afterMs).toBeLessThan(patience.requestMs + 3_000);
    const found = await here.app.inject({ url: "/fhir/Patient?_summary=count", headers: here.headers });
    expect(found.json()).toMatchObject({ total: 0 });
  });

  test("is given ten seconds for headers and a minute for all, looked at every two seconds", () => {
    expect(serverOptions(undefined)).toMatchObject({
      requestTimeout: 60_000,
      http: { headersTimeout: 10_000, connectionsCheckingInterval: 2_000, maxHeaderSize: 16_384 },
    });
  });
});

describe("a client that says too much before it asks", () => {
  test.each([
    ["one header of 16 KiB", () => headersOfSize(16_384), 431],
    ["one header of 1 MiB", () => headersOfSize(1_048_576), 431],
    ["5000 headers", () => manyHeaders(5_000), 431],
    ["one header of 15 KiB, which is within the limit", () => headersOfSize(15_000), 200],
    ["500 small headers, which are within the limit", () => manyHeaders(500), 200],
  ])("%s", async (_what, request, status) => {
    const { received } = await exchangeWith(port, request());
    expect(received).toMatch(new RegExp(`^HTTP/1\\.1 ${status} `));
  });
});

/** Opens a connection that says nothing, and tells whether the server kept it. */
function hold(): Promise<{ socket: Socket; kept: boolean }> {
  return new Promise((resolve) => {
    const socket = connect(port, "127.0.0.1");
    const keep = setTimeout(() => resolve({ socket, kept: true }), 150);
    socket.on("error", () => undefined);
    socket.on("close", () => {
      clearTimeout(keep);
      resolve({ socket, kept: false });
    });
  });
}

test("a crowd of connections is cut off at the limit, and who comes when it has gone is served", async () => {
  await new Promise((resolve) => setTimeout(resolve, 100));
  const held = await Promise.all(Array.from({ length: maxConnections + 4 }, hold));
  expect(held.filter(({ kept }) => kept)).toHaveLength(maxConnections);
  for (const { socket } of held) socket.destroy();
  await new Promise((resolve) => setTimeout(resolve, 100));
  const { received } = await exchangeWith(port, headersOfSize(1));
  expect(received).toMatch(/^HTTP\/1\.1 200 /);
});
