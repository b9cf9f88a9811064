import { afterAll, beforeAll, expect, test } from "vitest";
import { defaultSerialSystem, recordUse, type UploadReport } from "../../src/flows/record-use.ts";
import { replayUpload, upload } from "../../src/flows/uploads.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

const limits = { maxBytes: 1_000_000 };

/** Somebody with a machine of their own since the first of the year. */
async function personWithMachine(name: string): Promise<void> {
  await put(
    here,
    { resourceType: "Patient", id: name, name: [{ family: name }] } as never,
    {
      resourceType: "Device",
      id: `machine-of-${name}`,
      status: "active",
      identifier: [{ system: defaultSerialSystem, value: `serial-${name}` }],
    } as never,
    {
      resourceType: "DeviceUseStatement",
      id: `use-of-${name}`,
      status: "active",
      subject: { reference: `Patient/${name}` },
      device: { reference: `Device/machine-of-${name}` },
      timingPeriod: { start: "2026-01-01T09:00:00Z" },
    } as never,
  );
}

interface Envelope {
  readAt?: string;
  deviceClockAtReading?: string;
  coverage?: { start: string; end: string }[];
  sessions: Record<string, unknown>[];
  alerts?: { code: string; at: string; text?: string }[];
}

function send(name: string, envelope: Envelope) {
  const body = {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: `serial-${name}` },
    readAt: "2026-03-10T11:00:00Z",
    ...envelope,
  };
  return recordUse(
    here.service,
    here.tenantId,
    { bytes: Buffer.from(JSON.stringify(body)), contentType: "application/json", contentEncoding: "identity" },
    limits,
  );
}

async function sent(name: string, envelope: Envelope): Promise<UploadReport> {
  const answer = await send(name, envelope);
  if (!answer.ok) throw new Error(JSON.stringify(answer.refusals));
  return answer.value;
}

const morning = { sequenceNumber: 1, start: "2026-03-09T08:00:00Z", end: "2026-03-09T08:10:00Z", cyclesDelivered: 20 };
const evening = { sequenceNumber: 2, start: "2026-03-09T19:00:00Z", end: "2026-03-09T19:12:00Z", cyclesDelivered: 24 };

async function facts(
  name: string,
): Promise<{ session_id: string; started_at: number; local_day: string; day_part: string }[]> {
  const { inTenant } = await import("../../src/store/database.ts");
  return inTenant(here.database, here.tenantId, (session) =>
    session.query(
      "select session_id, started_at, local_day, day_part from therapy_session where tenant_id = $1 and patient_id = $2 order by started_at",
      [here.tenantId, name],
    ),
  );
}

test("the same upload twice gives the same records once", async () => {
  await personWithMachine("twice");
  const first = await sent("twice", { sessions: [morning, evening] });
  const second = await sent("twice", { sessions: [morning, evening] });
  expect([first.created, first.unchanged]).toEqual([2, 0]);
  expect([second.created, second.unchanged]).toEqual([0, 2]);
  expect(await facts("twice")).toHaveLength(2);
});

test("an upload that overlaps another adds only what is new, in whatever order", async () => {
  await personWithMachine("overlap");
  const late = await sent("overlap", { sessions: [evening] });
  const both = await sent("overlap", { sessions: [morning, evening] });
  expect([late.created, both.created, both.unchanged]).toEqual([1, 1, 1]);
});

test("a record that arrives again with other values is refused alone, and both versions can be seen", async () => {
  await personWithMachine("contradicted");
  await sent("contradicted", { sessions: [morning] });
  const again = await sent("contradicted", { sessions: [{ ...morning, cyclesDelivered: 99 }, evening] });
  expect(again.status).toBe("partly-refused");
  expect(again.created).toBe(1);
  expect(again.refused).toHaveLength(1);
  expect(again.refused[0]).toMatchObject({ at: "sessions[0]", refusals: [{ kind: "conflict" }] });
  const kept = await upload(here.service, here.tenantId, again.uploadId);
  expect(kept.ok && kept.value.refusedRecords).toMatchObject([
    { kind: "contradiction", received: { cyclesDelivered: 99 } },
  ]);
  expect(await facts("contradicted")).toHaveLength(2);
});

test("records of a device nobody registered wait, and a replay takes them in once it is registered", async () => {
  const early = await send("stranger", { sessions: [morning] });
  expect(early).toMatchObject({ ok: false, refusals: [{ kind: "not-found", at: "device.serialNumber" }] });
  await personWithMachine("stranger");
  const { uploads } = await import("../../src/flows/uploads.ts");
  const waiting = (await uploads(here.service, here.tenantId, { status: "refused", count: 50 })).find(
    (one) => one.deviceIdentifier === `${defaultSerialSystem}|serial-stranger`,
  );
  const replayed = await replayUpload(here.service, here.tenantId, waiting?.uploadId ?? "", {}, limits);
  expect(replayed).toMatchObject({ ok: true, value: { created: 1, status: "accepted" } });
});

test("a record from before anybody had the device is refused and says what to do", async () => {
  await personWithMachine("newcomer");
  const report = await sent("newcomer", {
    sessions: [{ ...morning, sequenceNumber: 9, start: "2025-12-30T08:00:00Z", end: "2025-12-30T08:10:00Z" }, evening],
  });
  expect(report.created).toBe(1);
  expect(report.refused[0]?.refusals[0]).toMatchObject({ kind: "not-found", at: "sessions[0].start" });
  expect(report.refused[0]?.refusals[0]?.detail).toContain("DeviceUseStatement");
});

test("a device clock that is three hours fast is corrected by the difference at reading", async () => {
  await personWithMachine("fast");
  const report = await sent("fast", {
    deviceClockAtReading: "2026-03-10T14:00:00Z",
    sessions: [{ ...morning, start: "2026-03-09T11:00:00Z", end: "2026-03-09T11:10:00Z" }],
  });
  expect(report.clockDriftSeconds).toBe(3 * 3600);
  expect((await facts("fast"))[0]).toMatchObject({
    started_at: Date.parse("2026-03-09T08:00:00Z"),
    day_part: "morning",
  });
});

test("the earliest reading of a record settles its time, whichever arrives first", async () => {
  for (const [name, order] of [
    ["early-first", ["early", "late"]],
    ["late-first", ["late", "early"]],
  ] as const) {
    await personWithMachine(name);
    for (const which of order) {
      const reading =
        which === "early"
          ? { readAt: "2026-03-09T21:00:00Z", deviceClockAtReading: "2026-03-09T21:00:00Z" }
          : { readAt: "2026-03-10T11:00:00Z", deviceClockAtReading: "2026-03-10T11:20:00Z" };
      await sent(name, { ...reading, sessions: [morning] });
    }
    expect((await facts(name)).map((one) => one.started_at)).toEqual([Date.parse(morning.start)]);
  }
});

test("an alert is carried to who had the device, once; one from before anybody had it stays in the upload", async () => {
  await personWithMachine("alerted");
  const alerts = [
    { code: "L-12", at: "2026-03-09T08:05:00Z", text: "high leak" },
    { code: "L-12", at: "2025-12-01T08:05:00Z" },
  ];
  await sent("alerted", { sessions: [morning], alerts });
  await sent("alerted", { sessions: [morning, evening], alerts });
  const { inTenant } = await import("../../src/store/database.ts");
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(
      "select body from resource where tenant_id = $1 and type = 'Observation' and patient_id = 'alerted' and id like 'alert-%'",
      [here.tenantId],
    ),
  );
  expect(rows.map((row) => JSON.parse(row.body).valueCodeableConcept.text)).toEqual(["L-12: high leak"]);
});

test("ranges that overlap, or say the same twice, vouch for one time", async () => {
  await personWithMachine("overlapping");
  const coverage = [
    { start: "2026-03-08T00:00:00Z", end: "2026-03-09T00:00:00Z" },
    { start: "2026-03-08T00:00:00Z", end: "2026-03-09T00:00:00Z" },
    { start: "2026-03-08T12:00:00Z", end: "2026-03-09T12:00:00Z" },
  ];
  const report = await sent("overlapping", { sessions: [], coverage });
  const { inTenant } = await import("../../src/store/database.ts");
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query("select started_at, ended_at from coverage where tenant_id = $1 and upload_id = $2", [
      here.tenantId,
      report.uploadId,
    ]),
  );
  expect(rows).toEqual([
    { started_at: Date.parse("2026-03-08T00:00:00Z"), ended_at: Date.parse("2026-03-09T12:00:00Z") },
  ]);
});

test("a replay with the right clock moves what the upload vouches for, in the document as in the facts", async () => {
  await personWithMachine("mended");
  const first = await sent("mended", {
    sessions: [morning],
    coverage: [{ start: "2026-03-09T00:00:00Z", end: "2026-03-09T12:00:00Z" }],
  });
  const again = await replayUpload(
    here.service,
    here.tenantId,
    first.uploadId,
    { deviceClockAtReading: "2026-03-10T12:00:00Z" },
    limits,
  );
  expect(again.ok).toBe(true);
  const { inTenant } = await import("../../src/store/database.ts");
  const [row] = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ started_at: number; body: string }>(
      "select c.started_at, r.body from coverage c join resource r on r.tenant_id = c.tenant_id and r.id = c.upload_id where c.tenant_id = $1 and c.upload_id = $2",
      [here.tenantId, first.uploadId],
    ),
  );
  expect(row?.started_at).toBe(Date.parse("2026-03-08T23:00:00Z"));
  expect(JSON.parse(row?.body ?? "{}")).toMatchObject({
    meta: { versionId: "2" },
    extension: [
      { valuePeriod: { start: "2026-03-08T23:00:00.000Z" } },
      { valueInstant: "2026-03-10T11:00:00.000Z" },
      { valueQuantity: { value: 3600, code: "s" } },
    ],
    subject: { reference: "Patient/mended" },
  });
});

test("a session after midnight counts to the evening before", async () => {
  await personWithMachine("owl");
  await sent("owl", { sessions: [{ ...evening, start: "2026-03-10T00:30:00Z", end: "2026-03-10T00:40:00Z" }] });
  expect(await facts("owl")).toMatchObject([{ local_day: "2026-03-09", day_part: "evening" }]);
});

test("a positive exsufflation pressure refuses that record and keeps the rest", async () => {
  await personWithMachine("sign");
  const report = await sent("sign", { sessions: [{ ...morning, setExsufflationPressureCmH2O: 40 }, evening] });
  expect(report.created).toBe(1);
  expect(report.refused[0]?.refusals[0]?.at).toBe("sessions[0].setExsufflationPressureCmH2O");
});

test("four identical uploads at once leave each record once", async () => {
  await personWithMachine("crowd");
  const reports = await Promise.all(Array.from({ length: 4 }, () => sent("crowd", { sessions: [morning, evening] })));
  expect(reports.reduce((sum, report) => sum + report.created, 0)).toBe(2);
  expect(await facts("crowd")).toHaveLength(2);
});

test("bytes that are no use record are kept as they came", async () => {
  const answer = await recordUse(
    here.service,
    here.tenantId,
    { bytes: Buffer.from("{ not json"), contentType: "application/json", contentEncoding: "identity" },
    limits,
  );
  expect(answer.ok).toBe(false);
  const { uploads, uploadBytes } = await import("../../src/flows/uploads.ts");
  const [newest] = (await uploads(here.service, here.tenantId, { status: "refused", count: 50 })).filter(
    (one) => one.sizeBytes === 10,
  );
  const bytes = await uploadBytes(here.service, here.tenantId, newest?.uploadId ?? "");
  expect(bytes.ok && bytes.value.bytes.toString()).toBe("{ not json");
});

test("cycles short of the set pressure are counted as the record comes in, and stand in fact and Observation", async () => {
  await personWithMachine("leaky");
  const cycles = [40, 31, 30, 40].map((peakInsufflationPressureCmH2O) => ({ peakInsufflationPressureCmH2O }));
  const { cyclesDelivered: _, ...session } = morning;
  await sent("leaky", { sessions: [{ ...session, setInsufflationPressureCmH2O: 40, cycles }] });
  const { inTenant } = await import("../../src/store/database.ts");
  const rows = await inTenant(here.database, here.tenantId, (open) =>
    open.query<{ short: number; body: string }>(
      `select s.cycles_short_of_pressure as short, r.body from therapy_session s
       join resource r on r.tenant_id = s.tenant_id and r.type = 'Observation' and r.id = s.session_id
       where s.tenant_id = $1 and s.patient_id = 'leaky'`,
      [here.tenantId],
    ),
  );
  // More than a fifth short of 40 cmH2O: under 32.
  expect(rows.map((row) => row.short)).toEqual([2]);
  expect(rows[0]?.body).toContain('"cycles-short-of-pressure"');
});
