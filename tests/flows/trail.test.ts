import { Client } from "pg";
import { afterAll, beforeAll, describe, expect, test, vi } from "vitest";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { checkTrail, trailPage } from "../../src/flows/audit-trail.ts";
import { audited, openTrail } from "../../src/flows/trail.ts";
import { noteAudit, sealAudit } from "../../src/store/audit.ts";
import { inTenant, type TenantSession } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { verifyAuditCommand } from "../../src/verify-audit.ts";
import { quietTrail } from "../support/quiet-trail.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;
let owner: Client;
let tenants = 0;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  owner = new Client({ connectionString: here.connectionString });
  await owner.connect();
});

afterAll(async () => {
  await owner.end();
  await here.close();
});

function entry(requestId: string): AuditEntry {
  return {
    atMs: here.clock.at,
    clientId: "ward-app",
    action: "R",
    kind: "rest",
    outcome: "0",
    route: "/fhir/:type/:id",
    requestId,
    patientIds: ["anna"],
    entities: [],
  };
}

async function tenant(): Promise<{ tenantId: number; slug: string }> {
  tenants += 1;
  return ensureTenant(here.database, `trail-${tenants}`);
}

/** Kinds and request ids of a trail, oldest first. */
async function trailOf(tenantId: number): Promise<string[]> {
  const { rows } = await owner.query(
    "select kind, request_id as id from audit_entry where tenant_id = $1 order by sequence",
    [tenantId],
  );
  return (rows as { kind: string; id: string }[]).map(({ kind, id }) => (kind.startsWith("process") ? kind : id));
}

describe("a run of the process", () => {
  test("that stops cleanly says so, and the next finds nothing lost", async () => {
    const { tenantId } = await tenant();
    for (const id of ["a", "b"]) {
      const trail = openTrail(here.service, "one");
      await trail.add(tenantId, entry(id));
      await trail.close();
    }
    expect(await trailOf(tenantId)).toEqual([
      "process-start",
      "a",
      "process-stop",
      "process-start",
      "b",
      "process-stop",
    ]);
  });

  test("that crashed is told by the next, and what it had not written is missing", async () => {
    const { tenantId } = await tenant();
    const crashed = openTrail(here.service, "two");
    await crashed.add(tenantId, entry("written"));
    await crashed.flush();
    await crashed.add(tenantId, entry("lost"));
    // As a crash leaves it: never flushed, never closed. The timer that would write it is outrun.
    const next = openTrail(here.service, "two");
    await next.add(tenantId, entry("after"));
    expect((await trailOf(tenantId)).slice(0, 4)).toEqual([
      "process-start",
      "written",
      "process-lost",
      "process-start",
    ]);
    await next.close();
    await crashed.close();
    expect(await checkTrail(here.service, tenantId)).toMatchObject({ ok: true });
  });

  test("beside another, in one trail: each has its own beginning and end, and the chain holds", async () => {
    const { tenantId } = await tenant();
    const both = [openTrail(here.service, "three"), openTrail(here.service, "four")];
    await Promise.all(
      both.flatMap((trail) => Array.from({ length: 40 }, (_, n) => trail.add(tenantId, entry(`r${n}`)))),
    );
    await Promise.all(both.map((trail) => trail.close()));
    const kinds = await trailOf(tenantId);
    expect(kinds.filter((kind) => kind.startsWith("process")).sort()).toEqual([
      "process-start",
      "process-start",
      "process-stop",
      "process-stop",
    ]);
    expect(await checkTrail(here.service, tenantId)).toMatchObject({ ok: true, rows: 84 });
  });
});

describe("what a writer notes", () => {
  test("is chained by whoever seals next, in its order", async () => {
    const { tenantId } = await tenant();
    for (const id of ["a", "b", "c"]) await note(tenantId, id);
    expect(await trailOf(tenantId)).toEqual([]);
    const page = await trailPage(here.service, tenantId, { count: 2, used: [] });
    expect(page.events.map((one) => one.id)).toEqual(["3", "2"]);
    expect(page.next).toBe(2);
    expect(await trailOf(tenantId)).toEqual(["a", "b", "c"]);
  });

  test("is chained by the buffer soon after it was told", async () => {
    const { tenantId } = await tenant();
    const trail = openTrail(here.service, "five");
    await note(tenantId, "a");
    trail.touch(tenantId);
    await trail.close();
    expect(await trailOf(tenantId)).toEqual(["a"]);
  });

  test("is gone with a transaction that is undone", async () => {
    const { tenantId } = await tenant();
    await expect(note(tenantId, "a", true)).rejects.toThrow("undone");
    expect(await inTenant(here.database, tenantId, sealAudit)).toBe(0);
  });

  test("is nothing where the transaction changed nothing", async () => {
    const { tenantId } = await tenant();
    const onNoted = vi.fn();
    const note = async (session: TenantSession, deed: string) => {
      await session.query(deed, [tenantId]);
      noteAudit(session, entry("a"), onNoted);
    };
    await inTenant(here.database, tenantId, (session) => note(session, "select 1 from resource where tenant_id = $1"));
    expect(onNoted).not.toHaveBeenCalled();
    await inTenant(here.database, tenantId, (session) => note(session, "delete from resource where tenant_id = $1"));
    expect(onNoted).not.toHaveBeenCalled();
    await inTenant(here.database, tenantId, (session) => note(session, "select pg_current_xact_id(), $1::int"));
    expect(onNoted).toHaveBeenCalledOnce();
  });

  test("can be taken away or changed by nobody who works as the service", async () => {
    const { tenantId } = await tenant();
    await note(tenantId, "a");
    for (const statement of [
      "delete from audit_pending",
      "update audit_pending set entry = '[]'",
      "truncate audit_pending",
    ]) {
      const tried = inTenant(here.database, tenantId, (session) => session.query(statement));
      await expect(tried).rejects.toMatchObject({ code: "42501" }); // insufficient_privilege: PostgreSQL manual, appendix A
    }
    expect(await inTenant(here.database, tenantId, sealAudit)).toBe(1);
  });

  test("by twenty writers at once, while others seal: all of it, once, in one chain", async () => {
    const { tenantId } = await tenant();
    const ids = Array.from({ length: 20 }, (_, n) => `w${n}`);
    const seals = Array.from({ length: 10 }, () => inTenant(here.database, tenantId, sealAudit));
    await Promise.all([...ids.map((id) => note(tenantId, id)), ...seals]);
    expect(await checkTrail(here.service, tenantId)).toMatchObject({ ok: true, rows: 20 });
    expect((await trailOf(tenantId)).sort()).toEqual(ids.sort());
  });
});

describe("the command that verifies", () => {
  test("tells the head of each trail, and that it still stands", async () => {
    const { tenantId, slug } = await tenant();
    await note(tenantId, "a");
    const said: string[] = [];
    expect(await verifyAuditCommand(here.service, ["--tenant", slug], (text) => said.push(text))).toBe(true);
    const head = /head (\d+:[\da-f]{64})$/.exec(said[0] ?? "")?.[1] ?? "";
    await note(tenantId, "b");
    expect(await verifyAuditCommand(here.service, ["--tenant", slug, "--noted", head], () => undefined)).toBe(true);
    expect(await verifyAuditCommand(here.service, [], (text) => said.push(text))).toBe(true);
    expect(said.slice(1).map((line) => line.split(":")[0])).toEqual(expect.arrayContaining(["(no tenant)", slug]));
  });

  test("names the first broken link", async () => {
    const { tenantId, slug } = await tenant();
    for (const id of ["a", "b", "c"]) await note(tenantId, id);
    await inTenant(here.database, tenantId, sealAudit);
    await owner.query("update audit_entry set outcome = '8' where tenant_id = $1 and sequence >= 2", [tenantId]);
    const said: string[] = [];
    expect(await verifyAuditCommand(here.service, ["--tenant", slug], (text) => said.push(text))).toBe(false);
    expect(said).toEqual([`${slug}: BROKEN at row 2: hash differs`]);
  });

  test.each([
    [["--tenant", "nobody"], "There is no tenant"],
    [["--noted", "x"], "Call it as"],
    [["--other"], "--other"],
  ])("says what is wrong with %s", async (args, words) => {
    await expect(verifyAuditCommand(here.service, args, () => undefined)).rejects.toThrow(words);
  });
});

/** A transaction that changes something, with the entry that tells of it. */
async function note(tenantId: number, requestId: string, fails = false): Promise<void> {
  const service = audited(here.service, quietTrail, () => entry(requestId));
  await inTenant(service.database, tenantId, async (session) => {
    await session.query(
      `insert into used_assertion (tenant_id, client_id, assertion_hash, expires_at) values ($1, $2, '', now())`,
      [tenantId, requestId],
    );
    if (fails) throw new Error("undone");
  });
}
