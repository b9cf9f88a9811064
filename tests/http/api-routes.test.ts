import { readFile } from "node:fs/promises";
import { gzipSync } from "node:zlib";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { identifierSystems } from "../../src/fhir/terminology/canonical.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { maxBodyBytes: 100_000 });
  for (const [i, family] of ["Alder", "Birch", "Cedar"].entries()) {
    await put(
      here,
      { resourceType: "Patient", id: `p${i}`, name: [{ family, given: ["Given"] }] } as never,
      {
        resourceType: "Device",
        id: `d${i}`,
        identifier: [{ system: identifierSystems.deviceSerial, value: `S-${i}` }],
      } as never,
      {
        resourceType: "DeviceUseStatement",
        id: `u${i}`,
        status: "active",
        subject: { reference: `Patient/p${i}` },
        device: { reference: `Device/d${i}` },
        timingPeriod: { start: "2026-01-01" },
      } as never,
    );
    await reviewPatient(here.service, here.tenantId, `p${i}`);
  }
});

afterAll(() => here.close());

const upload = (serialNumber: string) => ({
  format: "tidegate-use-record",
  version: 1,
  device: { serialNumber },
  readAt: "2026-04-09T20:00:00Z",
  coverage: [{ start: "2026-04-08T00:00:00Z", end: "2026-04-09T20:00:00Z" }],
  sessions: [{ sequenceNumber: 1, start: "2026-04-08T08:00:00Z", end: "2026-04-08T08:10:00Z", cyclesDelivered: 20 }],
});

function send(payload: string | Buffer, headers: Record<string, string> = {}) {
  return here.app.inject({
    method: "POST",
    url: "/api/v1/use-records",
    headers: { authorization: here.headers.authorization, "content-type": "application/json", ...headers },
    payload,
  });
}

function get(url: string) {
  return here.app.inject({ method: "GET", url, headers: { authorization: here.headers.authorization } });
}

describe("use records", () => {
  test("JSON, gzip and CSV of the same record count once", async () => {
    const json = JSON.stringify(upload("S-0"));
    const csv =
      "#device.serialNumber,S-0\n#readAt,2026-04-09T20:00:00Z\nsequenceNumber,start,end,cyclesDelivered\n1,2026-04-08T08:00:00Z,2026-04-08T08:10:00Z,20\n";
    const answers = [
      await send(json),
      await send(gzipSync(json), { "content-encoding": "gzip" }),
      await send(csv, { "content-type": "text/csv" }),
    ];
    expect(answers.map((one) => [one.statusCode, one.json().created, one.json().unchanged])).toEqual([
      [200, 1, 0],
      [200, 0, 1],
      [200, 0, 1],
    ]);
  });

  test.each([
    ["no JSON", "{", {}, 400],
    ["an unknown field", JSON.stringify({ ...upload("S-0"), colour: "red" }), {}, 400],
    ["XML", "<x/>", { "content-type": "application/xml" }, 415],
    ["a body over the limit", "x".repeat(200_000), {}, 413],
    ["truncated gzip", gzipSync(JSON.stringify(upload("S-0"))).subarray(0, 20), { "content-encoding": "gzip" }, 400],
    ["a device nobody registered", JSON.stringify(upload("S-99")), {}, 422],
    ["a reading from the future", JSON.stringify({ ...upload("S-0"), readAt: "2027-01-01T00:00:00Z" }), {}, 422],
    ["a gzip bomb", gzipSync(Buffer.alloc(80_000_000)), { "content-encoding": "gzip" }, 413],
  ])("%s is refused and says why", async (_what, payload, headers, status) => {
    const answer = await send(payload, headers);
    expect(answer.statusCode).toBe(status);
    const [issue] = answer.json().issue;
    expect(issue.severity).toBe("error");
    expect(issue.diagnostics.length).toBeGreaterThan(20);
  });

  test("an upload none of whose records can be taken answers 422 with the report", async () => {
    const bad = { ...upload("S-1"), sessions: [{ start: "2026-04-08T08:00:00Z", end: "2026-04-08T07:00:00Z" }] };
    const answer = await send(JSON.stringify(bad));
    expect([answer.statusCode, answer.json().status, answer.json().refused[0].at]).toEqual([
      422,
      "refused",
      "sessions[0]",
    ]);
  });

  test("what was refused is listed, shown, given back byte for byte, and replayed after mending", async () => {
    const text = JSON.stringify(upload("S-42"));
    await send(text);
    const list = (await get("/api/v1/uploads?status=refused&count=200")).json();
    const [found] = list.uploads.filter((one: { deviceIdentifier?: string }) =>
      one.deviceIdentifier?.endsWith("|S-42"),
    );
    expect((await get(`/api/v1/uploads/${found.uploadId}/content`)).body).toBe(text);
    expect((await get(`/api/v1/uploads/${found.uploadId}`)).json().reason).toBe("unknown-device");
    await put(
      here,
      {
        resourceType: "Device",
        id: "d42",
        identifier: [{ system: identifierSystems.deviceSerial, value: "S-42" }],
      } as never,
      {
        resourceType: "DeviceUseStatement",
        id: "u42",
        status: "active",
        subject: { reference: "Patient/p0" },
        device: { reference: "Device/d42" },
        timingPeriod: { start: "2026-01-01" },
      } as never,
    );
    const replayed = await here.app.inject({
      method: "POST",
      url: `/api/v1/uploads/${found.uploadId}/replay`,
      headers: { authorization: here.headers.authorization },
    });
    expect([replayed.statusCode, replayed.json().created]).toEqual([200, 1]);
  });
});

describe("dashboards", () => {
  test("the caseload comes in pages that never repeat a person", async () => {
    const names: string[] = [];
    let url: string | undefined = "/api/v1/caseload?sort=name&count=2";
    while (url !== undefined) {
      const page: { rows: { name: string }[]; next?: string } = (await get(url)).json();
      names.push(...page.rows.map((row) => row.name));
      url = page.next && `/api/v1/caseload?sort=name&count=2&cursor=${encodeURIComponent(page.next)}`;
    }
    expect(names).toEqual(["Alder, Given", "Birch, Given", "Cedar, Given"]);
  });

  test("a person's days are half-open and carry the cautions", async () => {
    const answer = (await get("/api/v1/patients/p0/days?firstDay=2026-04-07&endDay=2026-04-10")).json();
    expect(answer.days.map((day: { day: string }) => day.day)).toEqual(["2026-04-07", "2026-04-08", "2026-04-09"]);
    expect(answer.cautions).toContain("not an alarm");
  });

  test.each([
    ["/api/v1/patients/nobody/days", 404],
    ["/api/v1/patients/p0/days?firstDay=2026-04-10&endDay=2026-04-10", 400],
    ["/api/v1/patients/p0/days?firstDay=2020-01-01&endDay=2026-04-10", 400],
    ["/api/v1/patients/p0/days?firstDay=soon", 400],
    ["/api/v1/caseload?count=100000", 400],
    ["/api/v1/caseload?sort=colour", 400],
    ["/api/v1/caseload?cursor=forged", 400],
    ["/api/v1/nothing", 404],
  ])("%s answers %i with an OperationOutcome", async (url, status) => {
    const answer = await get(url);
    expect(answer.statusCode).toBe(status);
    expect(answer.json().resourceType).toBe("OperationOutcome");
  });

  test("health needs no token; the reference page and its description are there", async () => {
    const [live, ready, docs] = await Promise.all(
      ["/health/live", "/health/ready", "/docs/"].map((url) => here.app.inject({ method: "GET", url })),
    );
    expect([live?.statusCode, ready?.statusCode, docs?.statusCode]).toEqual([200, 200, 200]);
    expect(docs?.headers["content-security-policy"]).toContain("script-src 'self'");
    expect(docs?.headers["content-security-policy"]).not.toMatch(/upgrade-insecure|validator/);
  });
});

test("openapi/openapi.json is what the doors say today", async () => {
  const { freshOpenApi } = await import("../../src/app.ts");
  const { version } = JSON.parse(await readFile("package.json", "utf8"));
  expect(await readFile("openapi/openapi.json", "utf8")).toBe(await freshOpenApi(version));
});
