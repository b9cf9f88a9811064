import { readdir, readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";
import type { ClientBase } from "pg";

/** The folder of our migrations, as drizzle-kit writes it. */
export const migrationsFolder = join(import.meta.dirname, "../../db/migrations");

/**
 * Whether the database has every migration of this version, ours and the job library's: one query, because a service that
 * starts again finds that so nearly always, and the libraries that migrate take half a second to load. False also where
 * nothing can be told: the libraries then find out, and say what is wrong.
 */
export async function schemaIsCurrent(client: ClientBase): Promise<boolean> {
  const [ours, workers] = await Promise.all([lastMigration(), lastWorkerMigration()]);
  if (ours === undefined || workers === undefined) return false;
  try {
    const found = await client.query<{ ours: string; workers: number }>(
      `select (select max(created_at) from drizzle.__drizzle_migrations) as ours,
         (select max(id) from graphile_worker.migrations) as workers`,
    );
    const [row] = found.rows;
    // A job library that is ahead of ours may be one that ours must not work with.
    return Number(row?.ours) >= ours && row?.workers === workers;
  } catch (error) {
    // undefined_table and invalid_schema_name (PostgreSQL manual, appendix A): nothing was ever migrated.
    if (["42P01", "3F000"].includes((error as { code?: string }).code ?? "")) return false;
    throw error;
  }
}

/** When the last of our migrations was made; the migrator runs those that are later than what it ran before. */
export async function lastMigration(): Promise<number | undefined> {
  const text = await readFile(join(migrationsFolder, "meta/_journal.json"), "utf8");
  const { entries } = JSON.parse(text) as { entries: readonly { when: number }[] };
  return entries.length === 0 ? undefined : Math.max(...entries.map((one) => one.when));
}

/** The library numbers its migrations by their file names; undefined where it has none to look at. */
async function lastWorkerMigration(): Promise<number | undefined> {
  const folder = join(dirname(createRequire(import.meta.url).resolve("graphile-worker/package.json")), "sql");
  const names = await readdir(folder).catch(() => []);
  const numbers = names.flatMap((name) => /^(\d{6})\.sql$/.exec(name)?.[1] ?? []).map(Number);
  return numbers.length === 0 ? undefined : Math.max(...numbers);
}
