import { spawn } from "node:child_process";
import { readFile } from "node:fs/promises";
import { Pool } from "undici";
import { tokenHash } from "../../src/http/bearer.ts";

/** The real service in a process of its own, and a client that keeps its connections. */
export interface Served {
  readonly origin: string;
  readonly pid: number;
  /** Sends a request and reads the whole answer; throws where it is not a success. */
  send(method: "GET" | "POST" | "PUT", path: string, body?: string | Buffer, contentType?: string): Promise<string>;
  /** The most memory that the process has held, in bytes, and what it holds now. */
  memory(): Promise<{ most: number; now: number }>;
  stop(): Promise<void>;
}

const token = "token-of-the-bench";

/** Starts the service on a migrated database and waits until it listens. Its own jobs stay off unless `env` says otherwise. */
export async function serve(
  databaseUrl: string,
  dataFolder: string,
  tenant: string,
  env: Readonly<Record<string, string>> = {},
): Promise<Served> {
  const child = spawn(
    process.execPath,
    [...(process.env.BENCH_NODE_OPTIONS ?? "").split(" ").filter(Boolean), "src/main.ts"],
    {
      env: {
        PATH: process.env.PATH,
        PORT: "0",
        DATA_DIR: dataFolder,
        DATABASE_URL: databaseUrl,
        ACCESS_TOKENS: `${tenant}:${tokenHash(token)}`,
        LOG_LEVEL: "warn",
        DEMO: "off",
        WORKER_CONCURRENCY: "0",
        RATE_LIMIT_PER_MINUTE: "0",
        ...env,
      },
      stdio: ["ignore", "pipe", "inherit"],
    },
  );
  const origin = await new Promise<string>((resolve, reject) => {
    let said = "";
    child.stdout.on("data", (chunk: Buffer) => {
      said += chunk.toString();
      const found = /(http:\/\/127\.0\.0\.1:\d+)\/fhir/.exec(said)?.[1];
      if (found !== undefined) resolve(found);
    });
    child.once("exit", (code) => reject(new Error(`the service ended with ${code} before it listened: ${said}`)));
  });
  const pool = new Pool(origin, { connections: 64, pipelining: 1 });
  const pid = child.pid ?? 0;
  return {
    origin,
    pid,
    async send(method, path, body, contentType = "application/fhir+json") {
      const headers = {
        authorization: `Bearer ${token}`,
        ...(body === undefined ? {} : { "content-type": contentType }),
      };
      const answer = await pool.request({ method, path, headers, ...(body === undefined ? {} : { body }) });
      const text = await answer.body.text();
      if (answer.statusCode >= 300) throw new Error(`${method} ${path}: ${answer.statusCode} ${text.slice(0, 500)}`);
      return text;
    },
    memory: () => memoryOf(pid),
    async stop() {
      await pool.close();
      const ended = new Promise((resolve) => child.once("exit", resolve));
      child.kill("SIGTERM");
      await ended;
    },
  };
}

/** What Linux says of a process; zeros on other systems. */
async function memoryOf(pid: number): Promise<{ most: number; now: number }> {
  const status = await readFile(`/proc/${pid}/status`, "utf8").catch(() => "");
  const kibibytes = (name: string) => Number(new RegExp(`${name}:\\s+(\\d+) kB`).exec(status)?.[1] ?? 0) * 1024;
  return { most: kibibytes("VmHWM"), now: kibibytes("VmRSS") };
}
