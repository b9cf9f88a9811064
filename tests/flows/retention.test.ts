import { beforeEach, describe, expect, test } from "vitest";
import { applyRetention, erasureDue } from "../../src/flows/apply-retention.ts";
import type { RetentionProgress } from "../../src/flows/retention-run.ts";
import { replayUpload, uploadBytes, uploads } from "../../src/flows/uploads.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { readAudit, verifyAudit } from "../../src/store/audit.ts";
import { type Database, inTenant, openOwnerDatabase } from "../../src/store/database.ts";
import { personWithMachine, uploadSessions } from "../support/half-user.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { everyRow, send } from "./erasure-world.ts";

const dayMs = 86_400_000;

let here: TestService;
let owner: Database;

beforeEach(async () => {
  here = await testService("2026-06-10T09:00:00Z");
  owner = openOwnerDatabase(here.connectionString);
  return async () => {
    await owner.close();
    await here.close();
  };
}, 60_000);

async function apply(
  rules: { uploadDays?: number; versionDays?: number },
  mode: "trial" | "apply" = "apply",
): Promise<RetentionProgress[]> {
  const told: RetentionProgress[] = [];
  await applyRetention(
    here.service,
    owner,
    { uploadDays: 0, versionDays: 0, auditDays: 0, ...rules },
    { mode, onProgress: (one) => told.push(one), batchSize: 2 },
  );
  return told;
}

const sent = (day: string) => ({
  format: "tidegate-use-record",
  version: 1,
  device: { serialNumber: "s-a" },
  readAt: `${day}T09:00:00Z`,
  sessions: [{ start: `${day}T08:00:00Z`, end: `${day}T08:10:00Z` }],
});

const withoutTime = (record: ReturnType<typeof sent>) => ({
  ...record,
  sessions: [...record.sessions, { start: record.readAt, end: "2020-01-01T00:00:00Z" }],
});

describe("the content of uploads", () => {
  beforeEach(async () => {
    await personWithMachine(here, "a");
    for (const day of ["2026-05-01", "2026-05-02", "2026-05-03"]) await send(here, sent(day));
    await send(here, withoutTime(sent("2026-05-04")));
    await send(here, { ...sent("2026-05-05"), device: { serialNumber: "unknown" } });
    here.clock.at += 100 * dayMs;
    await send(here, sent("2026-09-01"));
  });

  const kept = async () =>
    (await uploads(here.service, here.tenantId, { count: 50 })).map(({ status, sizeBytes, report }) => ({
      status,
      hasSize: sizeBytes > 0,
      removed: "contentRemoved" in (report as object),
    }));

  test("goes where everything was taken in that long ago; hash, size and counts stay, refused ones stay whole", async () => {
    expect(await apply({ uploadDays: 90 })).toEqual([
      { tenant: "test", rule: "uploads", rows: 2 },
      { tenant: "test", rule: "uploads", rows: 3 },
    ]);
    const all = await kept();
    expect(all.filter(({ removed }) => removed)).toEqual(
      Array.from({ length: 3 }, () => ({ status: "accepted", hasSize: true, removed: true })),
    );
    expect(
      all
        .filter(({ removed }) => !removed)
        .map(({ status }) => status)
        .sort(),
    ).toEqual(["accepted", "partly-refused", "refused"]);
    const sessions = (await everyRow(here)).get("public.therapy_session");
    expect(sessions?.length).toBe(5);
  });

  test("is gone for good: it is not shown, not replayed, and does not come back when it is sent again", async () => {
    await apply({ uploadDays: 90 });
    const oldest = (await uploads(here.service, here.tenantId, { count: 50 })).find(
      ({ report }) => "contentRemoved" in (report as object),
    );
    const id = oldest?.uploadId ?? "";
    const shown = await uploadBytes(here.service, here.tenantId, id);
    expect(shown.ok ? 200 : shown.refusals[0]?.status).toBe(410);
    const replayed = await replayUpload(here.service, here.tenantId, id, {}, { maxBytes: 1_000 });
    expect(replayed.ok ? 200 : replayed.refusals[0]?.status).toBe(410);
    // A hub that sends it once more is told that all of it is known, and nothing is kept anew.
    for (const day of ["2026-05-01", "2026-05-02", "2026-05-03"]) expect((await send(here, sent(day))).ok).toBe(true);
    expect((await kept()).filter(({ removed }) => removed).length).toBe(3);
    expect(
      (await everyRow(here)).get("public.received_upload")?.filter((row) => row.includes("2026-05-01T08")).length,
    ).toBe(0);
  });

  test("stays while nobody has set a time, and a trial changes nothing", async () => {
    const before = await everyRow(here);
    expect(await apply({})).toEqual([]);
    expect(await apply({ uploadDays: 90 }, "trial")).toHaveLength(2);
    expect(await everyRow(here)).toEqual(before);
  });

  test("leaves a line in the audit trail for each batch", async () => {
    await apply({ uploadDays: 90 });
    await inTenant(here.database, here.tenantId, async (session) => {
      expect(await verifyAudit(session)).toMatchObject({ ok: true });
      const found = await readAudit(session, { clientId: "operator", count: 10 });
      expect(found.map(({ entry }) => [entry.action, entry.route, entry.reason])).toEqual([
        ["D", "apply-retention", "Removed: content of 1 uploads, kept 90 days"],
        ["D", "apply-retention", "Removed: content of 2 uploads, kept 90 days"],
      ]);
    });
  });
});

describe("replaced versions", () => {
  const condition = (text: string) => ({
    resourceType: "Condition",
    id: "c",
    subject: { reference: "Patient/a" },
    code: { text },
  });
  const versions = async () =>
    ((await everyRow(here)).get("public.resource_version") ?? []).map((row) => /"text":"(\w+)"/.exec(row)?.[1]);

  beforeEach(async () => {
    await put(here, { resourceType: "Patient", id: "a" }, condition("first"), condition("second"));
    here.clock.at += 100 * dayMs;
    await put(here, condition("third"));
    here.clock.at += 50 * dayMs;
    await put(here, condition("inForce"));
  });

  test("go when they were replaced that long ago, not when they were made; what is in force stays", async () => {
    // "second" was made 150 days ago and was in force until 50 days ago.
    expect(await apply({ versionDays: 60 })).toEqual([
      { tenant: "test", rule: "versions", rows: 1 },
      { tenant: "test", rule: "versions", rows: 1 },
    ]);
    expect(await versions()).toEqual(["second", "third"]);
    await apply({ versionDays: 49 });
    expect(await versions()).toEqual(["third"]);
  });

  test("of a resource that goes on being changed are numbered on", async () => {
    await apply({ versionDays: 49 });
    const target = { type: "Condition", id: "c" };
    const written = await updateResource(here.service, here.tenantId, target, JSON.stringify(condition("next")));
    expect(written.ok && written.value.stored.version).toBe(5);
  });
});

describe("who is due for erasure", () => {
  const person = (id: string, more: object) => ({ resourceType: "Patient", id, ...more });

  test("is who died, or left and has nothing dated since; not who is in use, nor who left lately", async () => {
    await put(
      here,
      person("died-long-ago", { deceasedDateTime: "2018-06-09" }),
      person("died-eight-years-ago-today", { deceasedDateTime: "2018-06-10" }),
      person("left-long-ago", { active: false }),
      person("left-lately", { active: false }),
      person("in-use", { active: true }),
      person("left-today-without-any-record", { active: false }),
      {
        resourceType: "Encounter",
        id: "old",
        ...{ status: "finished", class: { code: "AMB" }, period: { start: "2017-01-01", end: "2017-01-02" } },
        ...{ subject: { reference: "Patient/left-long-ago" } },
      },
      {
        resourceType: "Encounter",
        id: "late",
        ...{ status: "finished", class: { code: "AMB" }, period: { start: "2020-01-01", end: "2020-01-02" } },
        ...{ subject: { reference: "Patient/left-lately" } },
      },
    );
    // All were written today; what has a date of its own counts by that.
    expect(await erasureDue(here.service, here.tenantId, 8)).toEqual(["died-long-ago", "left-long-ago"]);
    expect(await erasureDue(here.service, here.tenantId, 100)).toEqual([]);
  });

  test("is nobody who still has a device", async () => {
    await personWithMachine(here, "a");
    await uploadSessions(here, "a", ["2026-06-01T08:00:00Z"]);
    await put(here, person("a", { active: false }));
    here.clock.at += 3_000 * dayMs;
    expect(await erasureDue(here.service, here.tenantId, 1)).toEqual([]);
  });
});
