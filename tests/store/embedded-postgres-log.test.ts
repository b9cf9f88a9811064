import { chmod, mkdtemp, realpath, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Client } from "pg";
import { expect, test } from "vitest";
import { startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";

// PostgreSQL manual, 19.8 (Error Reporting and Logging): an error's lines quote the values that it is about.
test("the server's own log, which the service may pass on, quotes no value of a statement that failed", async () => {
  const folder = await realpath(await mkdtemp(join(tmpdir(), "tidegate-embedded-log-")));
  // mkdtemp makes a folder for its user alone; for root, PostgreSQL runs as another.
  await chmod(folder, 0o755);
  const lines: string[] = [];
  const server = await startEmbeddedPostgres({
    dataFolder: join(folder, "postgres"),
    onLog: (line) => lines.push(line),
  });
  try {
    const client = new Client({ connectionString: server.connectionString });
    await client.connect();
    await client.query("create temp table person (family text primary key, born date)");
    await client.query("insert into person values ('Fernleighton', null)");
    for (const statement of [
      "insert into person values ('Fernleighton', null)",
      "select 'Fernleighton'::int",
      "do $$ begin raise warning 'Fernleighton'; end $$",
    ]) {
      await client.query(statement).catch(() => undefined);
    }
    await client.query("insert into person values ($1, $2)", ["x", "Fernleighton"]).catch(() => undefined);
    await client.end();
  } finally {
    await server.stop();
    await rm(folder, { recursive: true, force: true });
  }
  expect(lines.join("\n")).toContain("ready to accept connections");
  expect(lines.join("\n")).not.toContain("Fernleighton");
}, 60_000);
