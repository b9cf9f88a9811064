import { Client } from "pg";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { changeClient } from "../../src/flows/client.ts";
import { runBulk } from "../../src/flows/run-bulk.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { personWithCircuit } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { bulkClient, type Line } from "../support/bulk-client.ts";
import { askForToken, assertionOf, keyPair, testClient, tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";

// Anna belongs to the trust, Bert to nobody; Cleo is labelled very restricted.
let here: TestApp;
beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await put(here, { resourceType: "Organization", id: "trust", name: "Trust" } as never);
  for (const id of ["anna", "bert", "cleo"]) await personWithCircuit(here, id);
  await put(here, patientResource({ id: "anna", family: "A", given: "Anna", organizationId: "trust" }));
  const security = [{ system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code: "V" }];
  const cleo = patientResource({ id: "cleo", family: "C", given: "Cleo" });
  await put(here, { ...cleo, meta: { ...cleo.meta, security } } as never);
});
beforeEach(() => {
  here.clock.at += 60_000;
});
afterAll(() => here.close());

const people = (lines: readonly Line[]) =>
  [...new Set(JSON.stringify(lines).match(/(?<="Patient\/)[\w-]+|(?<="resourceType":"Patient","id":")[\w-]+/g))].sort();
async function exportedBy(token: string, path = "/$export") {
  const client = bulkClient(here, token);
  return client.lines((await client.export(path)).output);
}
async function clientWithToken(role: string, options: Parameters<typeof testClient>[2] = {}) {
  const client = await testClient(here, role, options);
  const answer = await askForToken(here, await assertionOf(here, client));
  return { client, token: (answer.json() as { access_token: string }).access_token };
}

describe("what an export holds", () => {
  test("is what its client may read: all, not what is labelled, one organisation's, one person's", async () => {
    const names = async (role: string, bound: Parameters<typeof tokenFor>[3] = {}) =>
      people(await exportedBy(await tokenFor(here, role, undefined, bound)));
    expect(await names("integration")).toEqual(["anna", "bert", "cleo"]);
    expect(await names("dashboard")).toEqual(["anna", "bert"]);
    expect(await names("dashboard", { organizationId: "trust" })).toEqual(["anna"]);
    expect(await names("dashboard", { patientId: "bert" })).toEqual(["bert"]);
  });

  test("is of the types that it may read and search", async () => {
    const lines = await exportedBy(await tokenFor(here, "integration", "system/Patient.rs system/Device.r"));
    expect(new Set(lines.map(({ resourceType }) => resourceType))).toEqual(new Set(["Patient"]));
  });

  test("is nothing that a Consent denies it", async () => {
    await put(here, {
      resourceType: "Consent",
      id: "no-sharing",
      status: "active",
      scope: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/consentscope", code: "patient-privacy" }] },
      category: [{ coding: [{ system: "http://loinc.org", code: "59284-0" }] }],
      patient: { reference: "Patient/bert" },
      dateTime: "2026-06-01",
      policyRule: { text: "Local policy" },
      provision: { type: "deny" },
    } as never);
    expect(people(await exportedBy(await tokenFor(here, "dashboard")))).toEqual(["anna"]);
    await here.app.inject({ method: "DELETE", url: "/fhir/Consent/no-sharing", headers: here.headers });
  });
});

describe("an export or import is there for its client alone", () => {
  test("another client, and another tenant, meet 404 in all that they do with it", async () => {
    const mine = bulkClient(here, await tokenFor(here, "integration"));
    const address = mine.jobOf(await mine.begin("/$export?_type=Patient"));
    const { output } = await mine.finish(address);
    const other = bulkClient(here, await tokenFor(here, "integration"));
    const stranger = bulkClient(here, here.strangersToken);
    for (const nosy of [other, stranger]) {
      expect((await nosy.send("GET", address)).statusCode).toBe(404);
      expect((await nosy.send("GET", output[0]?.url ?? "")).statusCode).toBe(404);
      expect((await nosy.send("DELETE", address)).statusCode).toBe(404);
    }
    // Nor is an export an import.
    expect((await mine.send("GET", address.replace("$export", "$import"))).statusCode).toBe(404);
    expect((await mine.send("GET", address)).statusCode).toBe(200);
  });

  test("a stranger's export has none of ours", async () => {
    const stranger = bulkClient(here, here.strangersToken);
    const { tenantId } = await ensureTenant(here.database, "stranger");
    const manifest = await stranger.finish(stranger.jobOf(await stranger.begin("/$export")), tenantId);
    expect(manifest.output).toEqual([]);
  });
});

describe("who may not", () => {
  test.each([
    ["commissioner", "/$export"],
    ["commissioner", "/$export?_type=Measure"],
    ["administrator", "/$export"],
  ])("a %s gets 403 for %s", async (role, path) => {
    expect((await bulkClient(here, await tokenFor(here, role)).begin(path)).statusCode).toBe(403);
  });

  test("a type that the token does not open refuses the whole, or is left out and told of", async () => {
    const client = bulkClient(here, await tokenFor(here, "integration", "system/Patient.rs"));
    const strict = await client.begin("/$export?_type=Patient,Task");
    expect([strict.statusCode, strict.json().issue[0].expression]).toEqual([403, ["_type"]]);
    const prefer = "respond-async, handling=lenient";
    const { output, error } = await client.export("/$export?_type=Patient,Task", { prefer });
    expect([output.map(({ type }) => type), error.length]).toEqual([["Patient"], 1]);
    expect(JSON.stringify(await client.lines(error))).toContain("system/Task.rs");
  });

  test("the glass is not broken for an export", async () => {
    const token = await tokenFor(here, "integration", "system/*.rs tidegate/break-glass.c");
    const answer = await bulkClient(here, token).begin("/$export", { "break-glass": "Found unresponsive at home" });
    expect(answer.statusCode).toBe(400);
  });

  test("a client that was disabled meanwhile has no token, and its export is not made", async () => {
    const { client, token } = await clientWithToken("dashboard");
    const bulk = bulkClient(here, token);
    const address = bulk.jobOf(await bulk.begin("/$export"));
    const off = await changeClient(here.service, here.tenantId, client.clientId, 1, {
      name: "A test",
      role: "dashboard",
      jwks: { keys: [(await keyPair()).jwk] },
      disabled: true,
    });
    expect(off.ok, JSON.stringify(off)).toBe(true);
    await runBulk(here.service, here.tenantId, address.split("/").at(-1) ?? "");
    expect((await bulk.send("GET", address)).statusCode).toBe(401);
    expect(await bulkRows(address)).toBe(0);
  });

  test("a client whose token may less now gets no files of before", async () => {
    const { client, token } = await clientWithToken("dashboard");
    const bulk = bulkClient(here, token);
    const { output } = await bulk.export("/$export?_type=Patient,Device");
    const narrow = (
      (await askForToken(here, await assertionOf(here, client), "system/Device.rs")).json() as { access_token: string }
    ).access_token;
    const files = Object.fromEntries(output.map(({ type, url }) => [type, url]));
    const later = bulkClient(here, narrow);
    expect((await later.send("GET", files.Patient ?? "")).statusCode).toBe(403);
    expect((await later.send("GET", files.Device ?? "")).statusCode).toBe(200);
  });
});

describe("how many and how long", () => {
  test("a third export of a client is told to wait: 429 with Retry-After", async () => {
    const client = bulkClient(here, await tokenFor(here, "integration"));
    const first = client.jobOf(await client.begin("/$export?_type=Patient"));
    const second = client.jobOf(await client.begin("/$export?_type=Patient"));
    const third = await client.begin("/$export?_type=Patient");
    expect([third.statusCode, third.headers["retry-after"]]).toEqual([429, "60"]);
    expect((await client.send("DELETE", first)).statusCode).toBe(202);
    client.jobOf(await client.begin("/$export?_type=Patient"));
    await client.send("DELETE", second);
  });

  test("DELETE takes everything away, also of one that goes on", async () => {
    const client = bulkClient(here, await tokenFor(here, "integration"));
    const address = client.jobOf(await client.begin("/$export?_type=Patient"));
    const { output } = await client.finish(address);
    expect((await client.send("DELETE", address)).statusCode).toBe(202);
    expect((await client.send("GET", address)).statusCode).toBe(404);
    expect((await client.send("GET", output[0]?.url ?? "")).statusCode).toBe(404);
    const going = client.jobOf(await client.begin("/$export?_type=Patient"));
    await client.send("DELETE", going);
    await runBulk(here.service, here.tenantId, going.split("/").at(-1) ?? "");
    expect((await client.send("GET", going)).statusCode).toBe(404);
  });

  test("files go when their time is over", async () => {
    const client = bulkClient(here);
    const address = client.jobOf(await client.begin("/$export?_type=Patient"));
    await client.finish(address);
    expect(await bulkRows(address)).toBeGreaterThan(0);
    here.clock.at += 25 * 3_600_000;
    expect((await client.send("GET", address)).statusCode).toBe(404);
    await client.keepUp();
    expect(await bulkRows(address)).toBe(0);
  });
});

async function bulkRows(address: string): Promise<number> {
  const owner = new Client({ connectionString: here.connectionString });
  await owner.connect();
  const { rows } = await owner.query<{ count: number }>(
    "select count(*)::int as count from bulk_chunk where job_id = $1",
    [address.split("/").at(-1)],
  );
  await owner.end();
  return rows[0]?.count ?? -1;
}
