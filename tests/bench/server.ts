import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Client } from "pg";
import { startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";

/** An empty database for one run of the bench. */
export interface BenchServer {
  readonly url: string;
  /** For whatever a service keeps in files. */
  readonly folder: string;
  close(): Promise<void>;
}

/** Makes the database on the server that DATABASE_URL names, or on an embedded one. */
export async function openServer(): Promise<BenchServer> {
  const folder = await mkdtemp(join(tmpdir(), "tidegate-bench-"));
  const settings = { shared_preload_libraries: "pg_stat_statements" };
  const given = process.env.DATABASE_URL;
  const embedded = given ? undefined : await startEmbeddedPostgres({ dataFolder: folder, settings });
  const server = given || (embedded?.connectionString ?? "");
  const name = `tidegate_bench_${process.pid}`;
  await onServer(server, `create database ${name}`);
  const address = new URL(server);
  address.pathname = `/${name}`;
  return {
    url: address.href,
    folder,
    async close() {
      await onServer(server, `drop database ${name} with (force)`);
      await embedded?.stop();
      await rm(folder, { recursive: true, force: true });
    },
  };
}

async function onServer(server: string, statement: string): Promise<void> {
  const client = new Client({ connectionString: server });
  await client.connect();
  try {
    await client.query(statement);
  } finally {
    await client.end();
  }
}
