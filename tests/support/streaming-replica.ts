/** A real streaming replica of an embedded server: its files copied in backup mode, then fed by the primary. */
import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { appendFile, chown, cp, mkdir, readdir, rm, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { Client } from "pg";
import type { EmbeddedPostgres } from "../../src/store/embedded-postgres.ts";
import { findPostgresPrograms, type PostgresPrograms, programOptions } from "../../src/store/postgres-programs.ts";
import { onServer } from "./database.ts";
import { freePort } from "./processes.ts";

/** A replica that can be stopped and started again. */
export interface StreamingReplica {
  readonly connectionString: string;
  start(): Promise<void>;
  stop(): Promise<void>;
}

/**
 * Copies the primary's cluster while it runs (PostgreSQL manual, 25.3.4, "Making a Base Backup Using the Low Level API"; the npm
 * package of the binaries has no pg_basebackup) and makes a standby of the copy (26.2.4).
 */
export async function makeReplica(primary: EmbeddedPostgres, folder: string): Promise<StreamingReplica> {
  const programs = await findPostgresPrograms(folder, () => undefined);
  const cluster = join(programs.folder, "cluster");
  const port = await freePort();
  const backup = new Client({ connectionString: primary.connectionString });
  await backup.connect();
  await backup.query("select pg_backup_start('replica', true)");
  await copyCluster(join(primary.folder, "cluster"), cluster);
  const { rows } = await backup.query("select labelfile from pg_backup_stop(false)");
  await backup.end();
  await writeFile(join(cluster, "backup_label"), (rows[0] as { labelfile: string }).labelfile);
  await writeFile(join(cluster, "standby.signal"), "");
  const { hostname, port: primaryPort, username, password } = new URL(primary.connectionString);
  const fed = `host=${hostname} port=${primaryPort} user=${username} password=${password}`;
  await appendFile(join(cluster, "postgresql.auto.conf"), `primary_conninfo = '${fed}'\n`);
  await giveTo(programs, cluster);
  const url = new URL(primary.connectionString);
  url.port = String(port);
  let server: ChildProcess | undefined;
  return {
    connectionString: url.href,
    async start() {
      server = spawnServer(programs, cluster, port);
      await untilItAnswers(url.href);
    },
    async stop() {
      if (server === undefined || server.exitCode !== null) return;
      server.kill("SIGINT");
      await once(server, "exit");
    },
  };
}

/** All but what belongs to the running server alone. */
async function copyCluster(from: string, to: string): Promise<void> {
  const left = /\/(postmaster\.(pid|opts)|pg_wal\/.+|pg_replslot\/.+)$/;
  // Files that vanish meanwhile are none that the backup needs.
  for (let tries = 1; ; tries++) {
    try {
      await cp(from, to, { recursive: true, filter: (source) => !left.test(source.slice(from.length)) });
      break;
    } catch (error) {
      if ((error as { code?: string }).code !== "ENOENT" || tries === 5) throw error;
      await rm(to, { recursive: true, force: true });
    }
  }
  await mkdir(join(to, "pg_wal"), { recursive: true, mode: 0o700 });
}

async function giveTo({ account }: PostgresPrograms, folder: string): Promise<void> {
  if (account === undefined) return;
  await chown(folder, account.uid, account.gid);
  for (const entry of await readdir(folder, { recursive: true })) {
    await chown(join(folder, entry), account.uid, account.gid);
  }
}

function spawnServer(programs: PostgresPrograms, cluster: string, port: number): ChildProcess {
  const settings = ["listen_addresses=127.0.0.1", "unix_socket_directories=", "fsync=off", "hot_standby=on"];
  const flags = settings.flatMap((one) => ["-c", one]);
  return spawn(programs.postgres, ["-D", cluster, "-p", String(port), ...flags], {
    ...programOptions(programs),
    stdio: "ignore",
  });
}

async function untilItAnswers(url: string): Promise<void> {
  for (let tries = 1; ; tries++) {
    try {
      await onServer(url, (client) => client.query("select 1 from tenant limit 1"));
      return;
    } catch (error) {
      if (tries === 300) throw error;
      await sleep(100);
    }
  }
}
