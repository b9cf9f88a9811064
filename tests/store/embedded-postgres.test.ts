import { type ChildProcess, spawn, spawnSync } from "node:child_process";
import { once } from "node:events";
import { access, chmod, mkdir, mkdtemp, readdir, readFile, realpath, rm, stat, writeFile } from "node:fs/promises";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { Client } from "pg";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { type EmbeddedPostgres, startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";

// Eight starts of a real server each take a second or two; durable settings are the default, as in service.
const timeout = 60_000;

let dataFolder: string;
let onEnd: (() => Promise<unknown>)[];

beforeEach(async () => {
  dataFolder = join(await realpath(await mkdtemp(join(tmpdir(), "tidegate-embedded-"))), "data", "postgres");
  const temporary = join(dataFolder, "..", "..");
  onEnd = [() => rm(temporary, { recursive: true, force: true })];
  // mkdtemp makes a folder for its user alone; for root, PostgreSQL runs as another.
  await chmod(temporary, 0o755);
});

afterEach(async () => {
  for (const end of onEnd.reverse()) await end();
});

async function start(options: { preferredPort?: number; onLog?: (line: string) => void } = {}) {
  const server = await startEmbeddedPostgres({ dataFolder, ...options });
  onEnd.push(server.stop);
  return server;
}

async function query(server: Pick<EmbeddedPostgres, "connectionString">, text: string): Promise<unknown[]> {
  const client = new Client({ connectionString: server.connectionString });
  await client.connect();
  try {
    return (await client.query({ text, rowMode: "array" })).rows.flat();
  } finally {
    await client.end();
  }
}

describe("the first start", () => {
  test(
    "makes a durable UTF-8 database that listens on this machine only and wants its password",
    async () => {
      const server = await start();
      const settings = ["fsync", "full_page_writes", "synchronous_commit", "listen_addresses", "server_encoding"];
      const shown = await query(server, `select ${settings.map((name) => `current_setting('${name}')`).join(", ")}`);
      expect(shown).toEqual(["on", "on", "on", "127.0.0.1", "UTF8"]);
      const [locale] = await query(server, "select datlocale from pg_database where datname = current_database()");
      expect(locale).toBe("C.UTF-8");
      expect(server.folder).toBe(dataFolder);
      expect((await stat(join(dataFolder, "password"))).mode & 0o777).toBe(0o600);
      const wrong = new URL(server.connectionString);
      wrong.password = "guessed";
      // 28P01 is invalid_password: PostgreSQL manual, appendix A.
      await expect(query({ connectionString: wrong.href }, "select 1")).rejects.toMatchObject({ code: "28P01" });
    },
    timeout,
  );

  test(
    "begins anew where making the cluster was interrupted",
    async () => {
      await mkdir(join(dataFolder, "cluster.unfinished", "base"), { recursive: true });
      await writeFile(join(dataFolder, "cluster.unfinished", "PG_VERSION"), "18\n");
      expect(await query(await start(), "select 1")).toEqual([1]);
    },
    timeout,
  );

  test(
    "sets a folder aside that is no cluster, and deletes nothing in it",
    async () => {
      await mkdir(join(dataFolder, "cluster"), { recursive: true });
      await writeFile(join(dataFolder, "cluster", "precious"), "kept");
      expect(await query(await start(), "select 1")).toEqual([1]);
      const aside = (await readdir(dataFolder)).find((name) => name.startsWith("cluster.set-aside-"));
      expect(await readFile(join(dataFolder, aside ?? "missing", "precious"), "utf8")).toBe("kept");
    },
    timeout,
  );

  test.runIf(process.getuid?.() === 0)(
    "finds another place when root keeps the wished folder to itself",
    async () => {
      const closed = join(dataFolder, "..");
      await mkdir(closed, { mode: 0o700 });
      const lines: string[] = [];
      const server = await start({ onLog: (line) => lines.push(line) });
      onEnd.splice(1, 0, () => rm(server.folder, { recursive: true, force: true }));
      expect(await query(server, "select 1")).toEqual([1]);
      expect(server.folder.startsWith(closed)).toBe(false);
      expect(lines.join("\n")).toContain(`the database is kept in ${server.folder}`);
      expect((await stat(closed)).mode & 0o777).toBe(0o700);
    },
    timeout,
  );
});

describe("a later start", () => {
  test(
    "finds the rows of the earlier one, under the same password",
    async () => {
      const first = await start();
      await query(first, "create table kept as select 41 as answer");
      await first.stop();
      const second = await start();
      expect(await query(second, "select answer from kept")).toEqual([41]);
      expect(new URL(second.connectionString).password).toBe(new URL(first.connectionString).password);
    },
    timeout,
  );

  test(
    "takes another port when the wished one is taken, and the wished one when it is free",
    async () => {
      const other = createServer().listen(0, "127.0.0.1");
      await once(other, "listening");
      const address = other.address();
      if (typeof address !== "object" || !address) throw new Error("no port");
      const first = await start({ preferredPort: address.port });
      expect(first.port).not.toBe(address.port);
      expect(await query(first, "select 1")).toEqual([1]);
      await first.stop();
      await new Promise((done) => other.close(done));
      const second = await start({ preferredPort: address.port });
      expect(second.port).toBe(address.port);
    },
    timeout,
  );

  test(
    "is not held up by a pid file whose number now belongs to another program, and leaves that program alone",
    async () => {
      const first = await start();
      await first.stop();
      const bystander = spawn("sleep", ["600"]);
      onEnd.push(async () => bystander.kill());
      const lines = [bystander.pid, join(dataFolder, "cluster"), 1, first.port, "", "127.0.0.1", "", "ready"];
      await writeFile(join(dataFolder, "cluster", "postmaster.pid"), `${lines.join("\n")}\n`);
      expect(await query(await start(), "select 1")).toEqual([1]);
      expect(bystander.exitCode ?? bystander.signalCode).toBeNull();
    },
    timeout,
  );

  test(
    "recovers what was committed when the server itself was killed",
    async () => {
      const first = await start();
      await query(first, "create table kept as select 43 as answer");
      process.kill(await pidOfServer(), "SIGKILL");
      await first.stop();
      expect(await query(await start(), "select answer from kept")).toEqual([43]);
    },
    timeout,
  );

  test(
    "says why when the server cannot start",
    async () => {
      await (await start()).stop();
      await writeFile(join(dataFolder, "cluster", "postgresql.auto.conf"), "work_mem = 'plenty'\n");
      await expect(start()).rejects.toThrow(/invalid value for parameter "work_mem"/);
    },
    timeout,
  );
});

describe("beside another process", () => {
  test(
    "a server whose service was killed is stopped cleanly and its data is found",
    async () => {
      const service = await startInProcess("await new Promise(() => setInterval(() => {}, 1000));");
      await query(service, "create table kept as select 42 as answer");
      const orphan = await pidOfServer();
      service.process.kill("SIGKILL");
      await once(service.process, "exit");
      expect(isRunning(orphan)).toBe(true);
      const lines: string[] = [];
      const server = await start({ onLog: (line) => lines.push(line) });
      expect(await query(server, "select answer from kept")).toEqual([42]);
      expect(isRunning(orphan)).toBe(false);
      // PostgreSQL says this at a start that finds no clean end, and only then.
      expect(lines.join("\n")).not.toContain("database system was not properly shut down");
    },
    timeout,
  );

  test(
    "a server whose service lives is shared, and outlives the guest's stop",
    async () => {
      const service = await startInProcess("await new Promise(() => setInterval(() => {}, 1000));");
      const guest = await start();
      expect(guest.connectionString).toBe(service.connectionString);
      await guest.stop();
      expect(await query(service, "select 1")).toEqual([1]);
    },
    timeout,
  );

  test(
    "on SIGTERM the service still has its database until it stops it itself",
    async () => {
      const service = await startInProcess(`
        process.on("SIGTERM", async () => {
          await new Promise((done) => setTimeout(done, 500));
          const client = new Client({ connectionString: server.connectionString });
          await client.connect();
          const { rows } = await client.query("select 44 as answer");
          await client.end();
          await server.stop();
          console.log("answer " + rows[0].answer);
          process.exit(7);
        });
        await new Promise(() => setInterval(() => {}, 1000));`);
      const pid = await pidOfServer();
      service.process.kill("SIGTERM");
      // "exit" may come before the last of the output; "close" comes after it.
      const [code] = await once(service.process, "close");
      expect(service.output()).toContain("answer 44");
      expect(code).toBe(7);
      expect(isRunning(pid)).toBe(false);
      await expect(access(join(dataFolder, "cluster", "postmaster.pid"))).rejects.toThrow("ENOENT");
    },
    timeout,
  );

  test(
    "a service that ends without stopping its server takes it along",
    async () => {
      const service = await startInProcess(`await once(process.stdin, "data"); process.exit(3);`);
      const pid = await pidOfServer();
      service.process.stdin?.write("go\n");
      const [code] = await once(service.process, "exit");
      expect(code).toBe(3);
      for (let wait = 0; wait < 200 && isRunning(pid); wait++) await sleep(50);
      expect(isRunning(pid)).toBe(false);
    },
    timeout,
  );
});

interface Service {
  readonly process: ChildProcess;
  readonly connectionString: string;
  output(): string;
}

/** A process of its own that starts the server on `dataFolder`, prints where it is, and goes on with `rest`. */
async function startInProcess(rest: string): Promise<Service> {
  const script = `
    import { once } from "node:events";
    import { Client } from "pg";
    import { startEmbeddedPostgres } from ${JSON.stringify(new URL("../../src/store/embedded-postgres.ts", import.meta.url).href)};
    const server = await startEmbeddedPostgres({ dataFolder: ${JSON.stringify(dataFolder)} });
    // Said only once the script below has set its handlers: the test sends its signal on hearing this.
    setImmediate(() => console.log(server.connectionString));
    ${rest}`;
  const child = spawn(process.execPath, ["--input-type=module", "--eval", script], {
    stdio: ["pipe", "pipe", "inherit"],
  });
  onEnd.push(async () => {
    if (child.exitCode === null && child.signalCode === null) child.kill("SIGKILL");
    // Whatever the test left running on the folder is stopped by the next owner of it.
    await (await startEmbeddedPostgres({ dataFolder })).stop();
  });
  let output = "";
  child.stdout.setEncoding("utf8");
  child.stdout.on("data", (chunk: string) => {
    output += chunk;
  });
  while (!output.includes("\n")) await Promise.race([once(child.stdout, "data"), failOnExit(child)]);
  return { process: child, connectionString: output.split("\n")[0] ?? "", output: () => output };
}

async function failOnExit(child: ChildProcess): Promise<never> {
  await once(child, "exit");
  throw new Error("the service ended before its server was ready");
}

async function pidOfServer(): Promise<number> {
  return Number((await readFile(join(dataFolder, "cluster", "postmaster.pid"), "utf8")).split("\n")[0]);
}

/** Whether the process runs; one that has ended and waits to be reaped by a slow init does not. */
function isRunning(pid: number): boolean {
  const { stdout } = spawnSync("ps", ["-o", "stat=", "-p", String(pid)], { encoding: "utf8" });
  return stdout.trim() !== "" && !stdout.trim().startsWith("Z");
}
