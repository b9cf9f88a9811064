import { randomBytes } from "node:crypto";
import { relative } from "node:path";
import type { TestProject } from "vitest/node";
import { migrate } from "../../src/store/migrate.ts";
import { onServer } from "./database.ts";
import { openPostgresSource } from "./postgres-source.ts";

declare module "vitest" {
  interface ProvidedContext {
    /** The server of this run and the prefix of all its databases; undefined when only pure tests were asked for. */
    postgres: { connectionString: string; prefix: string } | undefined;
  }
}

// Rooms whose walls keep them from any database, and the house rules but the one that asks the running service.
const PURE_TESTS = /^tests\/(domain|fhir|intake|house)\/(?!declared|guide)/;

let close = async () => {};

/** Starts PostgreSQL once for the run and makes the migrated database that `testDatabase` clones. */
export async function setup(project: TestProject): Promise<void> {
  // The filter of the command line; not in Vitest's types, and without it every file counts as asked for.
  const { filenamePattern } = project.vitest as { filenamePattern?: string[] };
  const { testFiles } = await project.globTestFiles(filenamePattern);
  const isPure = (file: string) => PURE_TESTS.test(relative(project.config.root, file).replaceAll("\\", "/"));
  if (!project.vitest.config.watch && testFiles.every(isPure)) {
    project.provide("postgres", undefined);
    return;
  }
  const source = await openPostgresSource();
  console.log(`Tests use ${source.description}`);
  const { connectionString } = source;
  const prefix = `tidegate_test_${randomBytes(4).toString("hex")}`;
  close = async () => {
    await dropAll(connectionString, prefix);
    await source.stop();
  };
  try {
    await makeTemplate(connectionString, `${prefix}_template`);
    project.provide("postgres", { connectionString, prefix });
  } catch (error) {
    await close();
    throw error;
  }
}

/** Drops what tests left behind, and ends the server when the run started it. */
export async function teardown(): Promise<void> {
  await close();
}

async function makeTemplate(connectionString: string, name: string): Promise<void> {
  await onServer(connectionString, async (client) => {
    // Sorting like the service's own server does, whatever the default of this one; before 17 there is no builtin provider.
    const answer = await client.query("select current_setting('server_version_num')::int >= 170000 as builtin");
    const locale = (answer.rows[0] as { builtin: boolean }).builtin
      ? "locale_provider builtin builtin_locale 'C.UTF-8' lc_collate 'C' lc_ctype 'C'"
      : "lc_collate 'C.UTF-8' lc_ctype 'C.UTF-8'";
    await client.query(`create database ${name} template template0 encoding 'UTF8' ${locale}`);
  });
  const template = new URL(connectionString);
  template.pathname = `/${name}`;
  await migrate(template.href);
  // A connection, were it only autovacuum's, would keep the database from being copied.
  await onServer(connectionString, (client) => client.query(`alter database ${name} with allow_connections false`));
}

async function dropAll(connectionString: string, prefix: string): Promise<void> {
  await onServer(connectionString, async (client) => {
    const found = await client.query<{ datname: string }>(
      "select datname from pg_database where starts_with(datname, $1)",
      [prefix],
    );
    for (const { datname } of found.rows) await client.query(`drop database if exists ${datname} with (force)`);
  });
}
