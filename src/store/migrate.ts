import { fileURLToPath } from "node:url";
import { drizzle } from "drizzle-orm/node-postgres";
import { migrate as runOurMigrations } from "drizzle-orm/node-postgres/migrator";
import { Logger, runMigrations as runWorkerMigrations } from "graphile-worker";
import { Client } from "pg";

const OUR_MIGRATIONS = fileURLToPath(new URL("../../db/migrations", import.meta.url));
// Any number that nothing else in the database locks: "tide" in ASCII.
const MIGRATION_LOCK = 0x74696465;

/**
 * Brings the database to the schema of this version: the job library's tables first, since ours call its functions.
 * Processes that start together take turns, and the later ones find nothing to do. Needs a role that may create roles.
 * Throws at the first statement that fails; of that migration nothing remains.
 */
export async function migrate(connectionString: string): Promise<void> {
  const client = new Client({ connectionString, application_name: "tidegate migrate" });
  await client.connect();
  try {
    await client.query("select pg_advisory_lock($1)", [MIGRATION_LOCK]);
    await runWorkerMigrations({ connectionString, schema: "graphile_worker", logger: silent });
    await runOurMigrations(drizzle(client), { migrationsFolder: OUR_MIGRATIONS });
  } finally {
    await client.end(); // and with the session goes the lock
  }
}

// The library narrates every connection on the console; what fails it throws as well.
const silent = new Logger(() => () => undefined);
