import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Client } from "pg";
import { startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";

/** An empty database for one run of the bench. */
export interface BenchServer {
  readonly url: string;
  /** Makes one more empty database on the same server. */
  another(): Promise<string>;
  /** For whatever a service keeps in files. */
  readonly folder: string;
  close(): Promise<void>;
}

/** As of a server that has some memory, and does not stop for a checkpoint every half minute; all of it durable. */
const settings = {
  shared_preload_libraries: "pg_stat_statements",
  shared_buffers: "1GB",
  max_wal_size: "8GB",
  checkpoint_timeout: "15min",
};

/** Makes the database on the server that DATABASE_URL names, or on an embedded one. */
export async function openServer(): Promise<BenchServer> {
  const folder = await mkdtemp(join(tmpdir(), "tidegate-bench-"));
  const given = process.env.DATABASE_URL;
  const embedded = given ? undefined : await startEmbeddedPostgres({ dataFolder: folder, settings });
  const server = given || (embedded?.connectionString ?? "");
  const names: string[] = [];
  const another = async () => {
    const name = `tidegate_bench_${process.pid}_${names.length}`;
    await onServer(server, `create database ${name}`);
    names.push(name);
    const address = new URL(server);
    address.pathname = `/${name}`;
    return address.href;
  };
  return {
    url: await another(),
    another,
    folder,
    async close() {
      for (const name of names) await onServer(server, `drop database ${name} with (force)`);
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
