import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";

const dashboard = "https://dashboard.example";
let here: TestApp;
let closed: TestApp;

beforeAll(async () => {
  const edge = { corsOrigins: [dashboard], requestsPerMinute: 0, maxConnections: 100 };
  here = await testApp("2026-04-10T09:00:00Z", { edge });
  closed = await testApp("2026-04-10T09:00:00Z", { edge: { ...edge, corsOrigins: [] } });
});

afterAll(() => Promise.all([here.close(), closed.close()]));

// OWASP REST Security Cheat Sheet, section "Security Headers" (of memory); RFC 6797, 7.2 for what plain HTTP leaves out.
describe("headers of every answer", () => {
  test.each([
    ["a resource type", "/fhir/Patient", 200],
    ["what is not there", "/nothing", 404],
    ["a stranger's request", "/api/v1/caseload", 401],
    ["a Host that is none", "/health/live", 400],
  ])("%s is no page, in no frame, of no other type", async (_what, url, status) => {
    const host = status === 400 ? "<x>" : "gate.test";
    const authorization = status === 401 ? "Bearer none" : here.headers.authorization;
    const answer = await here.app.inject({ url, headers: { host, authorization } });
    expect(answer.statusCode).toBe(status);
    expect(answer.headers).toMatchObject({
      "content-security-policy": "default-src 'none';frame-ancestors 'none'",
      "cache-control": "no-store",
      "x-content-type-options": "nosniff",
      "x-frame-options": "DENY",
      "referrer-policy": "no-referrer",
    });
    expect(answer.headers).not.toHaveProperty("strict-transport-security");
    expect(answer.headers).not.toHaveProperty("x-powered-by");
    expect(answer.headers).not.toHaveProperty("server");
  });

  test("the page at /docs keeps the policy it was made for, and gets its scripts and styles", async () => {
    const page = await here.app.inject({ url: "/docs/" });
    const policy = String(page.headers["content-security-policy"]);
    expect(page.statusCode).toBe(200);
    expect(policy).toMatch(/script-src 'self'/);
    expect(policy).not.toContain("default-src 'none'");
    const parts = [...page.body.matchAll(/(?:src|href)="(\.[^"]+\.(?:js|css))"/g)].map(([, path = ""]) => path);
    expect(parts.length).toBeGreaterThan(2);
    for (const path of parts) {
      const part = await here.app.inject({ url: new URL(path, "http://gate.test/docs/").pathname });
      expect([path, part.statusCode]).toEqual([path, 200]);
    }
  });
});

function preflight(to: TestApp, origin: string, method = "PATCH") {
  return to.app.inject({
    method: "OPTIONS",
    url: "/fhir/Task/1",
    headers: {
      origin,
      "access-control-request-method": method,
      "access-control-request-headers": "authorization,content-type,if-match",
    },
  });
}

function names(header: unknown): string[] {
  return String(header)
    .split(",")
    .map((name) => name.trim().toLowerCase());
}

// https://fetch.spec.whatwg.org/#http-cors-protocol
describe("a page of another origin", () => {
  test("is let in where its origin is named: the preflight needs no token", async () => {
    const answer = await preflight(here, dashboard);
    expect(answer.statusCode).toBe(204);
    expect(answer.headers["access-control-allow-origin"]).toBe(dashboard);
    expect(names(answer.headers["access-control-allow-methods"])).toEqual(
      expect.arrayContaining(["put", "patch", "delete"]),
    );
    expect(names(answer.headers["access-control-allow-headers"])).toEqual(
      expect.arrayContaining(["authorization", "content-type", "if-match", "if-none-exist", "prefer"]),
    );
    expect(answer.headers).not.toHaveProperty("access-control-allow-credentials");
  });

  test("reads the headers that FHIR answers with, and caches keep the origins apart", async () => {
    const answer = await here.app.inject({ url: "/fhir/Patient", headers: { ...here.headers, origin: dashboard } });
    expect(answer.headers["access-control-allow-origin"]).toBe(dashboard);
    expect(names(answer.headers["access-control-expose-headers"])).toEqual([
      "etag",
      "last-modified",
      "location",
      "retry-after",
      "tidegate-read-from",
      "x-request-id",
    ]);
    expect(names(answer.headers.vary)).toContain("origin");
  });

  test("can read why it was refused", async () => {
    const answer = await here.app.inject({ url: "/fhir/Patient", headers: { origin: dashboard } });
    expect([answer.statusCode, answer.headers["access-control-allow-origin"]]).toEqual([401, dashboard]);
  });

  test.each([
    ["of a stranger", "https://evil.example"],
    ["that begins like the one named", `${dashboard}.evil.example`],
    ["that ends like the one named", "https://evil-dashboard.example"],
    ["of another scheme", "http://dashboard.example"],
    ["of another port", `${dashboard}:8443`],
    ["in other letters", "https://DASHBOARD.example"],
    ["of a sandboxed frame or a file", "null"],
    ["that is a pattern", "*"],
  ])("with an origin %s is not let in", async (_what, origin) => {
    const asked = await preflight(here, origin);
    const answer = await here.app.inject({ url: "/fhir/Patient", headers: { ...here.headers, origin } });
    // What a request without a token meets here: only an origin that is named is answered before that.
    expect(asked.statusCode).toBe(401);
    for (const { headers } of [asked, answer]) {
      expect(Object.keys(headers).filter((name) => name.startsWith("access-control-"))).toEqual([]);
    }
  });

  test("is let in from nowhere unless an origin is named", async () => {
    const asked = await preflight(closed, dashboard);
    expect(asked.statusCode).toBe(401);
    expect(Object.keys(asked.headers).filter((name) => name.startsWith("access-control-"))).toEqual([]);
  });

  test("OPTIONS outside a browser is answered as before: with the methods that the address takes", async () => {
    const answer = await here.app.inject({ method: "OPTIONS", url: "/fhir/Task/1", headers: here.headers });
    expect([answer.statusCode, answer.headers.allow]).toEqual([405, "GET, HEAD, PUT, PATCH, DELETE"]);
  });
});
