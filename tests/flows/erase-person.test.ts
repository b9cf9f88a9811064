import { beforeEach, describe, expect, test } from "vitest";
import { commitOne } from "../../src/flows/commit-writes.ts";
import { type ErasureReport, type ErasureRequest, erasePerson } from "../../src/flows/erase-person.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { appendAudit, readAudit, verifyAudit } from "../../src/store/audit.ts";
import { type Database, inTenant, openOwnerDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { onServer } from "../support/database.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { everyRow, planted, rowsWith, twoPeople } from "./erasure-world.ts";

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
    reason: "asked for, request 12",
    devices: "go",
    mentions: "stop",
    mode: "erase",
    ...more,
  });
}

const condition = (id: string, note: string) => ({
  resourceType: "Condition",
  id,
  subject: { reference: "Patient/other" },
  note: [{ text: note }],
});

async function bodyOf(type: string, id: string): Promise<Record<string, unknown>> {
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>("select body from resource where tenant_id = $1 and type = $2 and id = $3", [
      here.tenantId,
      type,
      id,
    ]),
  );
  return JSON.parse(rows[0]?.body ?? "{}");
}

/** Resolves when some connection to this database waits for another. */
async function waitingForLock(): Promise<void> {
  await onServer(here.connectionString, async (client) => {
    for (;;) {
      const found = await client.query(
        "select from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'",
      );
      if (found.rows.length > 0) return;
    }
  });
}

describe("after an erasure", () => {
  test("no planted word is found in any row of any table, bytes included", async () => {
    const before = await everyRow(here);
    for (const word of Object.values(planted)) expect(rowsWith(before, word).length, word).toBeGreaterThan(0);
    expect((await erase()).outcome).toBe("erased");
    const after = await everyRow(here);
    const base64 = Buffer.from(planted.note).toString("base64");
    for (const word of [...Object.values(planted), base64]) expect(rowsWith(after, word), word).toEqual([]);
  });

  test("the id stands in the audit trail and in the client that was disabled, and nowhere else", async () => {
    await erase();
    const named = rowsWith(await everyRow(here), "Patient/ida").map((row) => row.split(":")[0]);
    expect(named).toEqual(["public.audit_entry"]);
    const ids = rowsWith(await everyRow(here), " | ida | ").map((row) => row.split(":")[0]);
    expect(ids).toEqual(["public.client"]);
  });

  test("every row of the other person, and of another tenant, is the same, but for the references that were masked", async () => {
    const { tenantId } = await ensureTenant(here.database, "elsewhere");
    const ida = { resourceType: "Patient", id: "ida", name: [{ family: planted.surname }] };
    await put({ service: here.service, tenantId }, ida);
    const before = await everyRow(here);
    await erase();
    const after = await everyRow(here);
    const touched = [...before].flatMap(([table, rows]) => {
      const left = new Set(after.get(table));
      return rows.filter((row) => !left.has(row)).map((row) => `${table}: ${row}`);
    });
    const ofOther = touched.filter((row) => /\| other \||Patient\/other/.test(row)).map((row) => row.split(" | {")[0]);
    const short = ofOther.map((row) =>
      /^public\.(\w+): \d+ \| (\w+ \| [\w-]+ \| \d+)/
        .exec(row ?? "")
        ?.slice(1)
        .join(" "),
    );
    // Of Group/tuesday and Condition/c-other those in force, and every replaced version that said it.
    expect(short.sort()).toEqual([
      "resource Condition | c-other | 1",
      "resource Group | tuesday | 2",
      "resource_version Group | tuesday | 1",
    ]);
    expect(rowsWith(after, planted.surname).every((row) => row.includes(` ${tenantId} | `))).toBe(true);
    expect(rowsWith(after, planted.surname).length).toBe(
      rowsWith(before, planted.surname).filter((row) => row.includes(`: ${tenantId} | `)).length,
    );
  });

  test("the audit trail is whole, keeps what was in it and says that the person was erased, and why", async () => {
    const entry = {
      atMs: here.clock.at,
      clientId: "ward",
      action: "R" as const,
      kind: "rest" as const,
      outcome: "0" as const,
      route: "/fhir/:type/:id",
      requestId: "r1",
      patientIds: ["ida"],
      entities: ["Patient/ida"],
    };
    await inTenant(here.database, here.tenantId, (session) => appendAudit(session, [entry, entry]));
    const before = (await everyRow(here)).get("public.audit_entry") ?? [];
    await erase({ operator: "records office" });
    const after = (await everyRow(here)).get("public.audit_entry") ?? [];
    expect(before.every((row) => after.includes(row))).toBe(true);
    await inTenant(here.database, here.tenantId, async (session) => {
      expect(await verifyAudit(session)).toMatchObject({ ok: true, rows: 3 });
      const [last] = await readAudit(session, { patientId: "ida", count: 1 });
      expect(last?.entry).toMatchObject({ action: "D", route: "erase-person", clientName: "records office" });
      expect(last?.entry.reason).toMatch(/^asked for, request 12 \(.*resource \d+/);
    });
  });

  test("others' records point to a withheld value where they pointed to the person, in every version", async () => {
    const masked = {
      extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "masked" }],
    };
    const report = await erase();
    expect(report.masked).toEqual(["Condition/c-other", "Group/tuesday"]);
    expect(await bodyOf("Group", "tuesday")).toMatchObject({
      meta: { versionId: "3" },
      quantity: 2,
      member: [{ entity: masked }, { entity: { reference: "Patient/other" } }],
    });
    expect(await bodyOf("Condition", "c-other")).toMatchObject({ asserter: masked, evidence: [{ detail: [masked] }] });
    const versions = (await everyRow(here)).get("public.resource_version") ?? [];
    expect(versions.filter((row) => row.includes("| tuesday |") && row.includes("masked")).length).toBe(2);
  });

  test("no reference in any version leads to what is gone", async () => {
    const dangling = async () => {
      const rows = await everyRow(here);
      const bodies = [...(rows.get("public.resource") ?? []), ...(rows.get("public.resource_version") ?? [])];
      const stored = new Set((rows.get("public.resource") ?? []).map((row) => row.split(" | ").slice(1, 3).join("/")));
      const references = bodies.flatMap((row) =>
        [...row.matchAll(/"reference":"([A-Z]\w+\/[^"/]+)"/g)].map(([, one]) => one),
      );
      expect(references.length).toBeGreaterThan(10);
      return references.filter((one) => one !== "Device/tidegate-service" && !stored.has(one ?? ""));
    };
    expect(await dangling()).toEqual([]);
    await erase();
    expect(await dangling()).toEqual([]);
  });

  test("what was being written about the person meanwhile is gone too, and what comes later is refused", async () => {
    let release = () => {};
    const gate = new Promise<void>((resolve) => {
      release = resolve;
    });
    const late = {
      resourceType: "Observation",
      id: "late",
      status: "final",
      code: { text: "x" },
      subject: { reference: "Patient/ida" },
    } as const;
    let written = () => {};
    const isWritten = new Promise<void>((resolve) => {
      written = resolve;
    });
    const writing = inTenant(here.database, here.tenantId, async (session) => {
      await commitOne(here.service, session, { type: "Observation", id: "late", resource: late }, undefined);
      written();
      await gate;
    });
    await isWritten;
    const erasing = erase();
    await waitingForLock();
    const later = updateResource(
      here.service,
      here.tenantId,
      { type: "Observation", id: "later" },
      JSON.stringify({ ...late, id: "later" }),
    );
    release();
    await writing;
    expect((await erasing).outcome).toBe("erased");
    // It may have come just before the erasure, or waited and been refused: either way nothing of it is left.
    await later;
    expect(rowsWith(await everyRow(here), "Patient/ida").map((row) => row.split(":")[0])).toEqual([
      "public.audit_entry",
    ]);
    const afterwards = await updateResource(
      here.service,
      here.tenantId,
      { type: "Observation", id: "late" },
      JSON.stringify(late),
    );
    expect(afterwards.ok ? 200 : afterwards.refusals[0]?.status).toBe(422);
  });

  test("a second time changes nothing, and somebody who never was here neither", async () => {
    await erase();
    const before = await everyRow(here);
    expect(await erase()).toMatchObject({ outcome: "nothing-here", tables: [] });
    expect(await erase({ patientId: "nobody" })).toMatchObject({ outcome: "nothing-here", tables: [] });
    expect(await everyRow(here)).toEqual(before);
  });
});

describe("before an erasure", () => {
  test("a trial says what it would do, to the row, and changes nothing", async () => {
    const before = await everyRow(here);
    const trial = await erase({ mode: "trial" });
    expect(trial.outcome).toBe("trial");
    expect(await everyRow(here)).toEqual(before);
    expect({ ...(await erase()), outcome: "trial" }).toEqual(trial);
  });

  test("text of somebody else that names the person stops it, until somebody has looked at it", async () => {
    await put(here, condition("sister-of", `Sister of mrs ${planted.surname.toUpperCase()}.`));
    const before = await everyRow(here);
    expect(await erase()).toMatchObject({ outcome: "stopped", mentions: ["Condition/sister-of"] });
    expect(await everyRow(here)).toEqual(before);
    expect(await erase({ mentions: "leave" })).toMatchObject({ outcome: "erased", mentions: ["Condition/sister-of"] });
  });

  test("a word that only begins like the person's is not taken for it", async () => {
    await put(here, condition("like", `${planted.surname}son, ${planted.identifier}1`));
    expect((await erase()).mentions).toEqual([]);
  });

  test("another record of the same person is named, and stays", async () => {
    const link = [{ other: { reference: "Patient/ida" }, type: "seealso" }];
    await put(here, { resourceType: "Patient", id: "ida-2", ...{ link } });
    await put(here, {
      resourceType: "Patient",
      id: "ida",
      ...{ name: [{ family: planted.surname }], link: [{ other: { reference: "Patient/ida-2" }, type: "seealso" }] },
    });
    const report = await erase();
    expect(report).toMatchObject({
      outcome: "erased",
      linked: ["ida-2"],
      masked: expect.arrayContaining(["Patient/ida-2"]),
    });
  });

  test("a table with a person in it that nobody has thought of stops it", async () => {
    await onServer(here.connectionString, (client) =>
      client.query("create table planted (tenant_id integer, patient_id text)"),
    );
    await expect(erase()).rejects.toThrow("what an erasure does with planted");
  });
});

test("the service itself may still delete neither versions nor uploads", async () => {
  for (const table of ["resource_version", "received_upload", "audit_entry"]) {
    const attempt = inTenant(here.database, here.tenantId, (session) =>
      session.query(`delete from ${table} where tenant_id = $1`, [here.tenantId]),
    );
    await expect(attempt).rejects.toThrow("permission denied");
  }
});
