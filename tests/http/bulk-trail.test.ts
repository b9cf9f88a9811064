import type { AuditEvent, Bundle } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { erasePerson } from "../../src/flows/erase-person.ts";
import { runBulk } from "../../src/flows/run-bulk.ts";
import { auditedJobs } from "../../src/flows/trail.ts";
import { openOwnerDatabase } from "../../src/store/database.ts";
import { personWithCircuit } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { bulkClient } from "../support/bulk-client.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await personWithCircuit(here, "anna");
});
afterAll(() => here.close());

async function entries(): Promise<AuditEvent[]> {
  await here.trail.flush();
  const answer = await here.app.inject({ url: "/fhir/AuditEvent?_count=100", headers: here.headers });
  return ((answer.json() as Bundle).entry ?? []).map(({ resource }) => resource as AuditEvent);
}
const doorOf = ({ entity = [] }: AuditEvent) => entity.map(({ name }) => name).find((name) => name !== undefined);
const named = ({ entity = [] }: AuditEvent) => entity.flatMap(({ what }) => what?.display ?? what?.reference ?? []);

// DICOM PS3.16, CID 400: 110106 Export, 110107 Import; R4's actions: https://hl7.org/fhir/R4/valueset-audit-event-action.html.
test("an export leaves its beginning, its end with counts, and each file that was fetched, as Export", async () => {
  const working = { ...here, service: auditedJobs(here.service, here.trail) };
  const client = bulkClient(working);
  const { output } = await client.export("/$export?_type=Patient,DeviceRequest");
  await client.lines(output);
  const exports = (await entries()).filter(({ type }) => type.code === "110106");
  const told = exports.map((one) => [one.action, doorOf(one)]);
  expect(told).toEqual(
    expect.arrayContaining([
      ["E", "/fhir/$export"],
      ["R", "/fhir/$export"],
      ["R", "/fhir/$export/:jobId/:file"],
    ]),
  );
  const names = exports.map(named);
  expect(names).toContainEqual(["type DeviceRequest", "type Patient"]);
  expect(names).toContainEqual([expect.stringContaining("Bulk job"), "DeviceRequest-1: 1", "Patient-1: 1"]);
  expect(names).toContainEqual([expect.stringMatching(/^Bulk job .*\/Patient-1\.ndjson$/)]);
});

test("an export that is given up leaves its end as a serious failure, with the reason", async () => {
  const service = auditedJobs(here.service, here.trail);
  const noWayToRead = { connect: () => Promise.reject(new Error("no connection")) } as never;
  const broken = { ...service, database: { ...service.database, streamPool: noWayToRead } };
  const client = bulkClient({ ...here, service });
  const address = client.jobOf(await client.begin("/$export?_type=Patient"));
  const jobId = address.split("/").at(-1) ?? "";
  for (let tries = 0; tries < 5; tries += 1) {
    expect((await client.send("GET", address)).statusCode).toBe(202);
    here.clock.at += 1_000;
    await runBulk(broken, here.tenantId, jobId);
  }
  expect((await client.send("GET", address)).statusCode).toBe(500);
  const about = (await entries()).filter((one) => named(one).includes(`Bulk job ${jobId}`));
  const failed = about.filter(({ type }) => type.code === "110106");
  expect(failed.map(({ outcome, action }) => [outcome, action])).toEqual([["8", "R"]]);
  expect(failed[0]?.outcomeDesc).toContain("tried several times");
  expect(failed[0]?.agent[0]?.who?.identifier?.value).toBe("configured");
});

test("an import's batches name whom they are about, in the name of the client that sent them", async () => {
  const client = bulkClient({ ...here, service: auditedJobs(here.service, here.trail) });
  const line = {
    resourceType: "Goal",
    id: "goal",
    lifecycleStatus: "active",
    description: { text: "Fewer infections" },
  };
  await client.import(`${JSON.stringify({ ...line, subject: { reference: "Patient/anna" } })}\n`);
  const imports = (await entries()).filter(({ type }) => type.code === "110107");
  expect(imports.every(({ agent }) => agent[0]?.who?.identifier?.value === "configured")).toBe(true);
  expect(imports.map(named)).toContainEqual(expect.arrayContaining(["Patient/anna", "Goal/goal"]));
  expect(imports.map(named)).toContainEqual(expect.arrayContaining(["stored: 1", "refused: 0"]));
});

test("an erasure takes the files of exports and imports away with the person", async () => {
  here.clock.at += 60_000;
  const client = bulkClient(here);
  const address = client.jobOf(await client.begin("/$export?_type=Patient"));
  await client.finish(address);
  const owner = openOwnerDatabase(here.connectionString);
  const report = await erasePerson(here.service, owner, here.tenantId, {
    patientId: "anna",
    reason: "Asked for it",
    devices: "go",
    mentions: "leave",
    mode: "erase",
  });
  await owner.close();
  expect(report.tables.map(({ table }) => table)).toEqual(
    expect.arrayContaining(["bulk_chunk", "bulk_file", "bulk_job"]),
  );
  expect((await client.send("GET", address)).statusCode).toBe(404);
});
