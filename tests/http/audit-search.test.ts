import type { AuditEvent, Bundle, CapabilityStatement } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { minimalResource } from "../support/minimal-resource.ts";
import { put } from "../support/service.ts";

let here: TestApp;
let administrator: string;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Oak", given: "Anna" }));
  administrator = await tokenFor(here, "administrator");
  for (let n = 0; n < 5; n += 1) {
    here.clock.at = Date.parse(`2026-06-1${n}T12:00:00Z`);
    await ask("/fhir/Patient/anna", here.token);
  }
  here.clock.at = Date.parse("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

async function ask(url: string, token = administrator) {
  await here.trail.flush();
  return here.app.inject({ url, headers: { authorization: `Bearer ${token}` } });
}

const bundleOf = async (url: string) => (await ask(url)).json() as Bundle<AuditEvent>;
const idsOf = (bundle: Bundle) => (bundle.entry ?? []).map((one) => Number(one.resource?.id));

test("the newest come first, and pages follow each other without a gap", async () => {
  const first = await bundleOf("/fhir/AuditEvent?patient=anna&agent:identifier=configured&_count=2");
  const ids = idsOf(first);
  expect(ids).toEqual([...ids].sort((a, b) => b - a));
  let next = first.link?.find((one) => one.relation === "next")?.url;
  while (next !== undefined) {
    const page = await bundleOf(next.replace("https://gate.test", ""));
    ids.push(...idsOf(page));
    next = page.link?.find((one) => one.relation === "next")?.url;
  }
  expect(ids).toHaveLength(5);
  expect(new Set(ids).size).toBe(5);
});

test("a page link means nothing under another question", async () => {
  const first = await bundleOf("/fhir/AuditEvent?patient=anna&_count=1");
  const cursor = new URL(first.link?.find((one) => one.relation === "next")?.url ?? "").searchParams.get("_cursor");
  expect((await ask(`/fhir/AuditEvent?patient=berta&_count=1&_cursor=${cursor}`)).statusCode).toBe(400);
});

test("a period is asked for by two dates", async () => {
  const found = await bundleOf(
    "/fhir/AuditEvent?patient=anna&agent:identifier=configured&date=ge2026-06-11&date=lt2026-06-13",
  );
  expect(found.entry?.map((one) => one.resource?.recorded?.slice(0, 10))).toEqual(["2026-06-12", "2026-06-11"]);
});

test("one is read by its number, and one that is not there is not found", async () => {
  const [id] = idsOf(await bundleOf("/fhir/AuditEvent?_count=1"));
  expect((await ask(`/fhir/AuditEvent/${id}`)).json()).toMatchObject({ resourceType: "AuditEvent", id: String(id) });
  for (const other of ["0", "999999", "kept", "1%27--", "1e3"]) {
    expect((await ask(`/fhir/AuditEvent/${other}`)).statusCode, other).toBe(404);
  }
});

test("what the capability statement declares is answered, and nothing can be written", async () => {
  const statement = (await ask("/fhir/metadata")).json() as CapabilityStatement;
  const declared = statement.rest?.[0]?.resource?.find((one) => one.type === "AuditEvent");
  const values: Readonly<Record<string, string>> = {
    _id: "_id=1",
    patient: "patient=Patient/anna",
    agent: "agent:identifier=configured",
    date: "date=ge2026-01-01",
  };
  const statuses = (declared?.searchParam ?? []).map(({ name = "" }) => ask(`/fhir/AuditEvent?${values[name]}`));
  expect((await Promise.all(statuses)).map((one) => one.statusCode)).toEqual([200, 200, 200, 200]);
  const event = minimalResource("AuditEvent");
  for (const [method, url] of [
    ["POST", "/fhir/AuditEvent"],
    ["PUT", "/fhir/AuditEvent/1"],
    ["DELETE", "/fhir/AuditEvent/1"],
    ["GET", "/fhir/AuditEvent/1/_history"],
  ] as const) {
    const answer = await here.app.inject({
      method,
      url,
      headers: here.headers,
      ...(method === "GET" ? {} : { payload: JSON.stringify({ ...event, id: "1" }) }),
    });
    expect([404, 405], `${method} ${url}`).toContain(answer.statusCode);
  }
});

describe("nobody but an administrator reads the trail", () => {
  test.each([
    ["integration", "/fhir/AuditEvent", 403],
    ["dashboard", "/fhir/AuditEvent/1", 403],
    ["commissioner", "/fhir/AuditEvent?patient=anna", 403],
    // Other ways to a resource find no AuditEvents: they are stored elsewhere.
    ["integration", "/fhir/Patient/anna/AuditEvent", 404],
    ["integration", "/fhir/?_type=AuditEvent", 400],
    ["integration", "/fhir/AuditEvent/_history", 403],
  ])("%s %s: %s", async (role, url, status) => {
    expect((await ask(url, await tokenFor(here, role))).statusCode).toBe(status);
  });

  test("and an administrator of another tenant reads that tenant's alone", async () => {
    const bundle = (await ask("/fhir/AuditEvent?patient=anna", here.strangersToken)).json() as Bundle;
    expect(bundle.entry ?? []).toEqual([]);
  });
});

test("what cannot be audited is not answered", async () => {
  const trail = here.trail as { add: TestApp["trail"]["add"] };
  const add = trail.add;
  trail.add = () => Promise.reject(new Error("the audit trail cannot be written"));
  try {
    const answer = await here.app.inject({ url: "/fhir/Patient/anna", headers: here.headers });
    expect(answer.statusCode).toBe(503);
    expect(answer.json()).toMatchObject({ resourceType: "OperationOutcome" });
    expect(Number(answer.headers["retry-after"])).toBeGreaterThan(0);
    expect(answer.headers.etag).toBeUndefined();
    expect(answer.body).not.toContain("Oak");
  } finally {
    trail.add = add;
  }
});
