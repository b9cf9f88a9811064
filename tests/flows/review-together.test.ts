import { afterAll, beforeAll, expect, test } from "vitest";
import { queueReviewsByTime } from "../../src/flows/jobs.ts";
import { reviewPatient, reviewPatients } from "../../src/flows/review-patient.ts";
import { type Database, inTenant, openDatabase, openOwnerDatabase } from "../../src/store/database.ts";
import { deleteJobs } from "../../src/store/erasure.ts";
import { ConcurrentWrite } from "../../src/store/resource.ts";
import { onServer } from "../support/database.ts";
import { type TestService, testService } from "../support/service.ts";
import { personWithCircuit, tasksOf, usedEveryDay } from "./person-with-circuit.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

const summaries = (id: string) =>
  inTenant(here.database, here.tenantId, (session) =>
    session.query("select * from patient_summary where tenant_id = $1 and patient_id = $2", [here.tenantId, id]),
  );

/** A circuit of long ago, so that there is something to do. */
async function people(...ids: string[]): Promise<void> {
  for (const id of ids) {
    await personWithCircuit(here, id, "2026-04-01");
    await usedEveryDay(here, id);
  }
}

test("reviewed together, people have the Tasks and the caseload rows that each has when reviewed alone", async () => {
  await people("ada", "ben", "cleo");
  await reviewPatients(here.service, here.tenantId, ["ada", "ben", "cleo"]);
  const together = await Promise.all(
    ["ada", "ben", "cleo"].map(async (id) => [await tasksOf(here, id), await summaries(id)]),
  );
  for (const id of ["ada", "ben", "cleo"]) await reviewPatient(here.service, here.tenantId, id);
  const alone = await Promise.all(
    ["ada", "ben", "cleo"].map(async (id) => [await tasksOf(here, id), await summaries(id)]),
  );
  expect(alone).toEqual(together);
  expect(together.map(([tasks]) => tasks?.length)).toEqual([1, 1, 1]);
});

test("a person who is not here any more keeps nobody from being reviewed", async () => {
  await people("dora");
  await reviewPatients(here.service, here.tenantId, ["nobody", "dora"]);
  expect(await summaries("dora")).toHaveLength(1);
});

test("where a review loses against others again and again, each person is reviewed alone", async () => {
  await people("edith", "fred");
  let failures = 0;
  const losing: Database = {
    ...here.database,
    beforeCommit: async () => {
      failures += 1;
      if (failures <= 3) throw new ConcurrentWrite("somebody was quicker");
    },
  };
  await reviewPatients({ ...here.service, database: losing }, here.tenantId, ["edith", "fred"]);
  expect(failures).toBe(5);
  expect([...(await tasksOf(here, "edith")), ...(await tasksOf(here, "fred"))]).toHaveLength(2);
});

test("reviews with nothing to do take the same statements for a hundred people as for one", async () => {
  await people("gail", "hugo");
  await reviewPatients(here.service, here.tenantId, ["gail", "hugo"]);
  const counted = openDatabase(here.connectionString);
  const count = async (ids: readonly string[]) => {
    let statements = 0;
    const client = await counted.pool.connect();
    client.release();
    const query = client.query.bind(client);
    Object.assign(client, {
      query: (statement: { text?: string } | string, ...rest: unknown[]) => {
        if (typeof statement !== "string") statements += 1;
        return query(statement as string, ...(rest as []));
      },
    });
    await reviewPatients({ ...here.service, database: counted }, here.tenantId, ids);
    return statements;
  };
  expect(await count(["gail", "hugo"])).toBe(4);
  await counted.close();
});

interface QueuedJob {
  key: string;
  priority: number;
  people: string[];
}

function queued(): Promise<QueuedJob[]> {
  return onServer(here.connectionString, async (owner) => {
    const answer = await owner.query(
      `select j.key, j.priority, array(select json_array_elements_text(p.payload -> 'patientIds')) as people
       from graphile_worker.jobs j join graphile_worker._private_jobs p using (id) where j.task_identifier = 'review-patients'
       order by j.key`,
    );
    return answer.rows as QueuedJob[];
  });
}

test("whom time makes due is queued once, behind what follows from writes, until it is done", async () => {
  here.clock.at += 86_400_000;
  await Promise.all([queueReviewsByTime(here.service), queueReviewsByTime(here.service)]);
  const first = await queued();
  expect(first).toEqual([
    {
      key: `reviews:${here.tenantId}:0`,
      priority: 10,
      people: ["ada", "ben", "cleo", "dora", "edith", "fred", "gail", "hugo"],
    },
  ]);
  await queueReviewsByTime(here.service);
  expect(await queued()).toEqual(first);
});

test("no job names a person who was erased; the others of a batch are due again", async () => {
  await onServer(here.connectionString, async (owner) => {
    await owner.query("delete from graphile_worker._private_jobs");
  });
  await queueReviewsByTime(here.service);
  const named = (await queued()).flatMap((job) => job.people);
  expect(named).toContain("ben");
  const keeper = openOwnerDatabase(here.connectionString);
  try {
    const gone = await inTenant(keeper, here.tenantId, (session) => deleteJobs(session, "ben", []));
    expect(gone).toBe(1);
    expect((await queued()).flatMap((job) => job.people)).not.toContain("ben");
    await queueReviewsByTime(here.service);
    expect((await queued()).flatMap((job) => job.people)).toEqual(named);
  } finally {
    await keeper.close();
  }
});
