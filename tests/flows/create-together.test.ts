import { afterAll, beforeAll, expect, test } from "vitest";
import type { Result } from "../../src/domain/result.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { audited } from "../../src/flows/trail.ts";
import { createResource, type WrittenResource } from "../../src/flows/write-resource.ts";
import { sealAudit } from "../../src/store/audit.ts";
import { type Database, inTenant } from "../../src/store/database.ts";
import { ConcurrentWrite } from "../../src/store/resource.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Oak", given: "Anna" }));
});

afterAll(() => here.close());

const weight = (n: number, patient = "anna") =>
  JSON.stringify({
    resourceType: "Observation",
    status: "final",
    code: { text: `measurement ${n}` },
    subject: { reference: `Patient/${patient}` },
  });

/** The service with a count of the transactions that commit, and a trail entry for each create. */
function counting(): { create: (text: string) => Promise<Result<WrittenResource>>; commits: () => number } {
  let commits = 0;
  const pool = Object.create(here.database.pool, {
    connect: {
      value: async () => {
        const client = await here.database.pool.connect();
        return Object.create(client, {
          query: {
            value: (statement: unknown, ...rest: unknown[]) => {
              if (statement === "commit") commits += 1;
              return client.query(statement as string, ...(rest as []));
            },
          },
          release: { value: (error?: Error) => client.release(error) },
        });
      },
    },
  });
  const service = { ...here.service, database: { ...here.database, pool } };
  const ofOne = () => {
    const told = {
      atMs: 0,
      clientId: "c",
      action: "C",
      kind: "rest",
      outcome: "0",
      route: "",
      requestId: "r",
    } as const;
    return audited(service, { touch: () => undefined }, (written) => ({
      ...told,
      patientIds: [],
      entities: written.map((one) => one.reference),
    }));
  };
  return {
    create: (text) => createResource(ofOne(), here.tenantId, "Observation", text),
    commits: () => commits,
  };
}

async function trailOf(references: readonly string[]): Promise<string[][]> {
  return inTenant(here.database, here.tenantId, async (session) => {
    await sealAudit(session);
    const rows = await session.query<{ entities: string[] }>(
      "select entities from audit_entry where tenant_id = $1 and entities && $2::text[] order by sequence",
      [here.tenantId, references],
    );
    return rows.map((row) => row.entities);
  });
}

const idOf = (written: Result<WrittenResource>) => (written.ok ? written.value.stored.id : undefined);

test("creates that come at once are each answered, stored and audited, in few transactions", async () => {
  const { create, commits } = counting();
  const written = await Promise.all(Array.from({ length: 40 }, (_, n) => create(weight(n))));
  const references = written.map((one) => `Observation/${idOf(one)}`);
  expect(new Set(references).size).toBe(40);
  expect(written.every((one) => one.ok && one.value.created)).toBe(true);
  const stored = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string; reference: string }>(
      "select body, type || '/' || id as reference from resource where tenant_id = $1 and type = 'Observation'",
      [here.tenantId],
    ),
  );
  const texts = new Map(stored.map(({ reference, body }) => [reference, JSON.parse(body).code.text]));
  expect(references.map((reference) => texts.get(reference))).toEqual(written.map((_, n) => `measurement ${n}`));
  expect((await trailOf(references)).sort()).toEqual(references.map((reference) => [reference]).sort());
  expect(commits()).toBeLessThan(10);
});

test("one that is refused keeps the others of its group from nothing", async () => {
  const { create } = counting();
  const texts = Array.from({ length: 12 }, (_, n) => weight(n, n === 7 ? "nobody" : "anna"));
  const written = await Promise.all(texts.map(create));
  expect(written.map((one) => one.ok)).toEqual(texts.map((_, n) => n !== 7));
  const [refusal] = written[7]?.ok === false ? written[7].refusals : [];
  expect([refusal?.status, refusal?.detail]).toEqual([422, expect.stringContaining("There is no Patient/nobody here")]);
});

test("a group that loses against others is tried one by one; one that may have been stored is not tried again", async () => {
  const create = (database: Database, n: number) =>
    createResource({ ...here.service, database }, here.tenantId, "Observation", weight(n));
  const losing = Array.from({ length: 6 }, () => {
    let isLost = false;
    const beforeCommit = async () => {
      if (isLost) return;
      isLost = true;
      throw new ConcurrentWrite("somebody was quicker");
    };
    return { ...here.database, beforeCommit };
  });
  const written = await Promise.all(losing.map((database, n) => create(database, n)));
  expect(written.every((one) => one.ok)).toBe(true);
  const lost = { ...here.database, beforeCommit: () => Promise.reject(new Error("connection terminated")) };
  const outcomes = await Promise.allSettled([0, 1, 2, 3].map((n) => create(lost, n)));
  expect(outcomes.map(({ status }) => status)).toEqual(["rejected", "rejected", "rejected", "rejected"]);
});
