import { type AddressInfo, connect } from "node:net";
import { gzipSync } from "node:zlib";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";

// Over a real connection: what inject cannot send.
let here: TestApp;
let port: number;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { maxBodyBytes: 50_000 });
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  port = (here.app.server.address() as AddressInfo).port;
});

afterAll(() => here.close());

/** Sends bytes and collects what comes back until the other side hangs up. */
function exchange(text: string, options: { hangUp?: boolean } = {}): Promise<string> {
  return new Promise((resolve, reject) => {
    const socket = connect(port, "127.0.0.1");
    let received = "";
    socket.setTimeout(10_000, () => socket.destroy(new Error(`no end after: ${received}`)));
    socket.on("data", (chunk) => {
      received += chunk.toString("latin1");
    });
    socket.on("error", reject);
    socket.on("close", () => resolve(received));
    socket.write(text, "latin1");
    if (options.hangUp) socket.end();
  });
}

const patient = '{"resourceType":"Patient"}';

function create(headers: readonly string[], body: string): string {
  const own = [`Authorization: ${here.headers.authorization}`, "Content-Type: application/fhir+json"];
  return ["POST /fhir/Patient HTTP/1.1", ...own, ...headers, "", body].join("\r\n");
}

describe("requests that are no HTTP, or not whole (RFC 9112)", () => {
  test.each([
    ["noise", () => "\u0000\u0001noise\r\n\r\n", 400],
    ["a method that HTTP does not have", () => "BREW /fhir HTTP/1.1\r\nHost: a\r\n\r\n", 400],
    ["headers without end", () => `GET /fhir/metadata HTTP/1.1\r\nHost: a\r\nX-A: ${"a".repeat(40_000)}\r\n\r\n`, 431],
    [
      "two lengths at once, as request smuggling sends them",
      () => create(["Host: a", "Content-Length: 5", "Transfer-Encoding: chunked"], "0\r\n\r\n"),
      400,
    ],
    ["a Host that is none", () => create(['Host: "<x>"', "Content-Length: 26", "Connection: close"], patient), 400],
  ])("%s", async (_what, request, status) => {
    const answer = await exchange(request());
    expect(answer).toMatch(new RegExp(`^HTTP/1\\.1 ${status} `));
    expect(answer).toContain('"resourceType":"OperationOutcome"');
  });

  test("a body cut off stores nothing", async () => {
    const answer = await exchange(create(["Host: a", "Content-Length: 500"], '{"resourceType":'), { hangUp: true });
    expect(answer).toMatch(/^HTTP\/1\.1 400 /);
    const found = await fetch(`http://127.0.0.1:${port}/fhir/Patient?_summary=count`, { headers: here.headers });
    expect((await found.json()) as object).toMatchObject({ total: 0 });
  });

  test("a chunked body over the limit is refused with 413 while it arrives", async () => {
    const chunk = `4000\r\n${" ".repeat(0x4000)}\r\n`;
    const answer = await exchange(create(["Host: a", "Transfer-Encoding: chunked"], chunk.repeat(5)));
    expect(answer).toMatch(/^HTTP\/1\.1 413 /);
  });
});

describe("a connection", () => {
  test("carries one request after another, plain and gzip", async () => {
    const base = `http://127.0.0.1:${port}`;
    const packed = { ...here.headers, "content-encoding": "gzip" };
    const made = await fetch(`${base}/fhir/Patient`, { method: "POST", headers: packed, body: gzipSync(patient) });
    const { id } = (await made.json()) as { id: string };
    const read = await fetch(`${base}/fhir/Patient/${id}`, { headers: here.headers });
    expect([made.status, read.status]).toEqual([201, 200]);
    expect(read.headers.get("x-content-type-options")).toBe("nosniff");
  });

  test("of HTTP/1.0 is answered and closed", async () => {
    const answer = await exchange("GET /health/live HTTP/1.0\r\n\r\n");
    expect(answer).toMatch(/^HTTP\/1\.1 200 /);
  });
});
