import { drizzle } from "drizzle-orm/node-postgres";
import { migrate as runOurMigrations } from "drizzle-orm/node-postgres/migrator";
import { Logger, runMigrations as runWorkerMigrations } from "graphile-worker";
import type { Client } from "pg";
import { migrationsFolder } from "./schema-state.ts";

/**
 * Runs the migrations that a database lacks: the job library's first, since ours call its functions. For one process at a
 * time. Throws at the first statement that fails; of that migration nothing remains.
 */
export async function runMigrations(client: Client, connectionString: string): Promise<void> {
  await runWorkerMigrations({ connectionString, schema: "graphile_worker", logger: silent });
  await runOurMigrations(drizzle(client), { migrationsFolder });
}

// The library narrates every connection on the console; what fails it throws as well.
const silent = new Logger(() => () => undefined);
