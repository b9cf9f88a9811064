import { setTimeout as sleep } from "node:timers/promises";
import { afterAll, beforeAll, expect, test } from "vitest";
import { type Database, openDatabase, readInTenant } from "../../src/store/database.ts";
import { watchReplica } from "../../src/store/replica.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let connectionString: string;
let drop: () => Promise<void>;

beforeAll(async () => {
  ({ connectionString, drop } = await testDatabase());
  database = openDatabase(connectionString);
});

afterAll(async () => {
  await database.close();
  await drop();
});

const options = { maxLagMs: 500, poolSize: 2, statementTimeoutMs: 1_000, everyMs: 20 };
const one = (of: Database) => readInTenant(of, 1, (session) => session.query<{ n: number }>("select 1 as n"));

test("a server that replays nothing is no replica, and one that is not there neither; both cost no start", async () => {
  for (const url of [connectionString, "postgres://nobody@127.0.0.1:1/none"]) {
    const changes: string[] = [];
    const replica = watchReplica(database, url, { ...options, onChange: (state) => changes.push(state) });
    await sleep(200);
    expect([replica.lagMs(), changes]).toEqual([undefined, []]);
    await replica.close();
  }
});

test("a connection that cannot be had is one to the primary", async () => {
  const replica = watchReplica(database, "postgres://nobody@127.0.0.1:1/none", {
    ...options,
    onChange: () => undefined,
  });
  const reading = replica.reading(database);
  expect(await one(reading.database)).toEqual([{ n: 1 }]);
  expect(reading.isUsed()).toBe(false);
  await replica.close();
});

test("a connection that is there is used, and that is told", async () => {
  const replica = watchReplica(database, connectionString, { ...options, onChange: () => undefined });
  const reading = replica.reading(database);
  expect(reading.isUsed()).toBe(false);
  expect(await one(reading.database)).toEqual([{ n: 1 }]);
  expect(reading.isUsed()).toBe(true);
  await replica.close();
});
