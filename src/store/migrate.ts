import { Client } from "pg";
import { schemaIsCurrent } from "./schema-state.ts";

// Any number that nothing else in the database locks: "tide" in ASCII.
const MIGRATION_LOCK = 0x74696465;

/**
 * Brings the database to the schema of this version; one that has it already costs a query (10 ms).
 * Processes that start together take turns, and the later ones find nothing to do. Needs a role that may create roles.
 * Throws at the first statement that fails; of that migration nothing remains.
 */
export async function migrate(connectionString: string): Promise<void> {
  const client = new Client({ connectionString, application_name: "tidegate migrate" });
  await client.connect();
  try {
    await client.query("select pg_advisory_lock($1)", [MIGRATION_LOCK]);
    if (!(await schemaIsCurrent(client))) {
      const { runMigrations } = await import("./run-migrations.ts");
      await runMigrations(client, connectionString);
    }
    await client.query("select make_partitions()").catch(unlessBusy);
  } finally {
    await client.end(); // and with the session goes the lock
  }
}

/** Somebody reads a whole table for long: the months that are missing are not due yet, and the daily job makes them. */
function unlessBusy(error: { code?: string }): void {
  if (error.code !== "55P03") throw error; // lock_not_available: PostgreSQL manual, appendix A
}
