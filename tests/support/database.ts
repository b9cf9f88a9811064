import { randomBytes } from "node:crypto";
import { setTimeout as sleep } from "node:timers/promises";
import { Client, DatabaseError } from "pg";
import { inject } from "vitest";

/** A database that nobody else uses. `drop` ends its connections. */
export interface TestDatabase {
  readonly connectionString: string;
  drop(): Promise<void>;
}

/** A migrated database without rows: one for each test file, made in `beforeAll` and dropped in `afterAll`. */
export function testDatabase(): Promise<TestDatabase> {
  return copyOf((prefix) => `${prefix}_template`);
}

/** A database without any table, for tests of the migrations themselves. */
export function emptyDatabase(): Promise<TestDatabase> {
  return copyOf(() => "template0");
}

/** Runs `work` on one connection to the server's own database. */
export async function onServer<T>(connectionString: string, work: (client: Client) => Promise<T>): Promise<T> {
  const client = new Client({ connectionString });
  await client.connect();
  try {
    return await work(client);
  } finally {
    await client.end();
  }
}

async function copyOf(template: (prefix: string) => string): Promise<TestDatabase> {
  const server = inject("postgres");
  if (!server) throw new Error("tests of this room get no database: see PURE_TESTS in tests/support/global-setup.ts");
  const name = `${server.prefix}_${randomBytes(6).toString("hex")}`;
  await onServer(server.connectionString, (client) => create(client, name, template(server.prefix)));
  const own = new URL(server.connectionString);
  own.pathname = `/${name}`;
  return {
    connectionString: own.href,
    drop: () =>
      onServer(server.connectionString, async (client) => {
        await client.query(`drop database if exists ${name} with (force)`);
      }),
  };
}

const OBJECT_IN_USE = "55006"; // PostgreSQL manual, appendix A

async function create(client: Client, name: string, template: string): Promise<void> {
  for (let attempt = 1; ; attempt++) {
    try {
      await client.query(`create database ${name} template ${template}`);
      return;
    } catch (error) {
      const isBusy = error instanceof DatabaseError && error.code === OBJECT_IN_USE;
      if (!isBusy || attempt === 20) throw error;
      await sleep(100);
    }
  }
}
