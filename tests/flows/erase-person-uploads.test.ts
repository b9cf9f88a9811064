import { createHash, randomBytes } from "node:crypto";
import { beforeEach, expect, test } from "vitest";
import { machineResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { type ErasureReport, type ErasureRequest, erasePerson } from "../../src/flows/erase-person.ts";
import { replayUpload, upload, uploadBytes, uploads } from "../../src/flows/uploads.ts";
import { type Database, openOwnerDatabase } from "../../src/store/database.ts";
import type { ReceivedUpload } from "../../src/store/upload.ts";
import { onServer } from "../support/database.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { everyRow, laterRecord, ownRecord, planted, rowsWith, send, sharedRecord, twoPeople } from "./erasure-world.ts";

let here: TestService;
let owner: Database;

beforeEach(async () => {
  here = await testService("2026-06-10T09:00:00Z");
  owner = openOwnerDatabase(here.connectionString);
  await twoPeople(here);
  return async () => {
    await owner.close();
    await here.close();
  };
}, 60_000);

function erase(more: Partial<ErasureRequest> = {}): Promise<ErasureReport> {
  return erasePerson(here.service, owner, here.tenantId, {
    patientId: "ida",
    reason: "asked for",
    devices: "stay",
    mentions: "stop",
    mode: "erase",
    ...more,
  });
}

/** The upload that these bytes were kept as. */
async function keptAs(sent: object): Promise<ReceivedUpload> {
  const all = await uploads(here.service, here.tenantId, { count: 50 });
  const sha256 = createHash("sha256").update(JSON.stringify(sent)).digest("hex");
  const found = all.find((one) => one.sha256 === sha256);
  if (found === undefined) throw new Error("not kept");
  return found;
}

const statusOf = (result: { ok: true } | { ok: false; refusals: readonly { status?: number }[] }) =>
  result.ok ? 200 : result.refusals[0]?.status;

test("of an upload about one person the content, the device and the refused records go; hash, size and counts stay", async () => {
  const before = await keptAs(ownRecord);
  await erase();
  const after = await keptAs(ownRecord);
  expect(after).toMatchObject({ sha256: before.sha256, sizeBytes: before.sizeBytes, reason: "erased", deviceId: null });
  expect(after.report).toEqual({
    received: 2,
    created: 2,
    unchanged: 0,
    retimed: 0,
    refusedCount: 0,
    contentRemoved: { why: "erasure", at: "2026-06-10T09:00:00.000Z", bytes: before.sizeBytes },
  });
  expect(statusOf(await uploadBytes(here.service, here.tenantId, after.uploadId))).toBe(410);
  const limits = { maxBytes: 1_000_000 };
  expect(statusOf(await replayUpload(here.service, here.tenantId, after.uploadId, {}, limits))).toBe(410);
});

test("the same bytes sent once more are refused and bring nobody back", async () => {
  await erase();
  const before = await everyRow(here);
  expect(await send(here, ownRecord)).toEqual({ ok: false, status: 410 });
  const after = await everyRow(here);
  for (const [table, rows] of after) {
    if (table !== "public.received_upload") expect(rows, table).toEqual(before.get(table));
  }
  expect(rowsWith(after, "2026-05-01T08:00:00Z")).toEqual([]);
});

test("an upload of two people loses its content; what was refused of the other stays to be seen", async () => {
  const { uploadId } = await keptAs(sharedRecord);
  const refusedBefore = await upload(here.service, here.tenantId, uploadId);
  expect(refusedBefore.ok && refusedBefore.value.refusedRecords.map(({ position }) => position)).toEqual([2, 3]);
  expect((await erase()).sharedUploads).toEqual([uploadId]);
  const after = await upload(here.service, here.tenantId, uploadId);
  expect(after).toMatchObject({ ok: true, value: { deviceId: "m-shared", reason: "erased" } });
  expect(after.ok && after.value.refusedRecords.map(({ received }) => received)).toEqual([
    { start: "2026-05-03T08:00:00Z", end: "2026-05-03T07:00:00Z" },
  ]);
  const stored = rowsWith(await everyRow(here), `"reference":"DocumentReference/${uploadId}"`);
  expect(stored.some((row) => row.includes("Patient/other"))).toBe(true);
});

test("an upload of the same machine that tells of the other person alone stays whole", async () => {
  const before = await keptAs(laterRecord);
  await erase();
  expect(await keptAs(laterRecord)).toEqual(before);
  const content = await uploadBytes(here.service, here.tenantId, before.uploadId);
  expect(content.ok && content.value.bytes.toString()).toBe(JSON.stringify(laterRecord));
});

test("an upload that vouches for the person's time goes although it holds no session of hers", async () => {
  const empty = {
    ...laterRecord,
    readAt: "2026-05-22T09:00:00Z",
    coverage: [{ start: "2026-03-01T00:00:00Z", end: "2026-05-22T09:00:00Z" }],
  };
  expect(await send(here, empty)).toEqual({ ok: true });
  const { uploadId } = await keptAs(empty);
  expect((await erase()).sharedUploads).toContain(uploadId);
});

test("without being told so, devices stay for the next person and are listed, and hold no trace of her", async () => {
  await put(here, { ...machineResource({ id: "machine-1", serialNumber: planted.serial }), ...subjectOfDevice });
  const report = await erase();
  expect(report).toMatchObject({ outcome: "erased", devicesLeft: ["m-shared", "machine-1"] });
  expect(report.masked).toContain("Device/machine-1");
  const rows = rowsWith(await everyRow(here), planted.serial).map((row) => row.split(" ")[0]);
  expect([...new Set(rows)].sort()).toEqual(
    ["device", "device_identifier", "resource", "resource_version"].map((table) => `public.${table}:`),
  );
  expect(rowsWith(await everyRow(here), planted.surname)).toEqual([]);
});

const subjectOfDevice = { patient: { reference: "Patient/ida", display: planted.surname } };

test("a device to which something else points stays, even where those that nobody else had go", async () => {
  await put(
    here,
    machineResource({ id: "lent", serialNumber: "s-lent" }),
    deviceUseStatement({ id: "u-lent", deviceId: "lent", patientId: "ida", start: "2026-01-01" }),
    { resourceType: "DeviceMetric", id: "metric", ...metric },
  );
  expect((await erase({ devices: "go" })).devicesLeft).toEqual(["lent", "m-shared"]);
});

const metric = {
  type: { text: "pressure" },
  category: "measurement",
  source: { reference: "Device/lent" },
};

test("somebody whose record was deleted before is still in its versions, and is erased", async () => {
  await put(here, { resourceType: "Patient", id: "gone", ...{ name: [{ family: "Ottershaw" }] } });
  const deleted = await deleteResource(here.service, here.tenantId, { type: "Patient", id: "gone" });
  expect(deleted.ok).toBe(true);
  expect(rowsWith(await everyRow(here), "Ottershaw")).toHaveLength(1);
  expect((await erase({ patientId: "gone" })).tables).toEqual([
    { table: "resource_version", rows: 1 },
    { table: "resource", rows: 1 },
    { table: "graphile_worker (jobs)", rows: 1 },
  ]);
  expect(rowsWith(await everyRow(here), "Ottershaw")).toEqual([]);
});

test("an owner of the tables who is no superuser, and whom the policies bind, erases the same", async () => {
  const trial = await erase({ mode: "trial", devices: "go" });
  const role = `keeper_${randomBytes(4).toString("hex")}`;
  await onServer(here.connectionString, async (client) => {
    await client.query(`create role ${role} login password 'keeper' nosuperuser nobypassrls`);
    await client.query(`grant all on schema public, graphile_worker to ${role}`);
    await client.query(`do $$ declare t record; begin
      for t in select format('%I.%I', n.nspname, c.relname) as name from pg_class c join pg_namespace n on n.oid = c.relnamespace
        where c.relkind in ('r', 'p') and n.nspname in ('public', 'graphile_worker')
      loop execute 'alter table ' || t.name || ' owner to ${role}'; end loop; end $$`);
    await client.query(`grant execute on all functions in schema public to ${role}`);
  });
  const url = new URL(here.connectionString);
  url.username = role;
  url.password = "keeper";
  const keeper = openOwnerDatabase(url.href);
  try {
    const bound = await keeper.pool.query("select count(*)::int as rows from resource");
    expect(bound.rows).toEqual([{ rows: 0 }]);
    const request = { patientId: "ida", reason: "asked for", devices: "go", mentions: "stop", mode: "erase" } as const;
    const report = await erasePerson(here.service, keeper, here.tenantId, request);
    expect(report).toEqual({ ...trial, outcome: "erased" });
  } finally {
    await keeper.close();
    await onServer(here.connectionString, async (client) => {
      await client.query(`reassign owned by ${role} to current_user`);
      await client.query(`drop owned by ${role}`);
      await client.query(`drop role ${role}`);
    });
  }
});
