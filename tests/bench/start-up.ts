import { type ChildProcess, spawn } from "node:child_process";
import { createHash, randomBytes } from "node:crypto";
import { chmod, mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { fileURLToPath } from "node:url";
import { startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";

const main = fileURLToPath(new URL("../../src/main.ts", import.meta.url));
const examples = new URL("../../seed/examples/", import.meta.url);
const starts = 5;
const mixedRequests = 1_000;

/** How long a start takes and how much memory the service then holds, on a migrated database. */
export interface StartUp {
  /** Milliseconds from the start of the process to the first answer of each kind; medians of five starts. */
  readonly listeningMs: number;
  readonly metadataMs: number;
  readonly readMs: number;
  readonly searchMs: number;
  /** Processor time of the service's own process until then: unlike the rest, much the same on a busy machine. */
  readonly cpuMs: number;
  /** The first session Observation that is written, by itself. */
  readonly firstWriteMs: number;
  /** MiB resident (VmRSS of Linux, the service's own process) ten seconds after the start, and after mixed requests. */
  readonly restMiB: number;
  readonly afterRequestsMiB: number;
}

/**
 * Starts the service as an operator does, again and again, on a database that has its schema: an embedded PostgreSQL of
 * its own, which it must start first, and one that runs already. Takes about a minute.
 */
export async function measureStartUp(): Promise<Record<"embedded" | "running", StartUp>> {
  const folder = await mkdtemp(join(tmpdir(), "tidegate-start-"));
  // As root, PostgreSQL runs as another user, who has to get in: else its data would outlive this folder.
  await chmod(folder, 0o755);
  const token = randomBytes(24).toString("hex");
  try {
    const prepared = await startService(folder, token, {});
    await prepared.put("Patient", "patient.json");
    await prepared.stop();
    const embedded = await measured(() => startService(folder, token, {}));
    const server = await startEmbeddedPostgres({ dataFolder: join(folder, "postgres") });
    try {
      const url = { DATABASE_URL: server.connectionString };
      return { embedded, running: await measured(() => startService(folder, token, url)) };
    } finally {
      await server.stop();
    }
  } finally {
    await rm(folder, { recursive: true, force: true });
  }
}

interface RunningService {
  readonly startedMs: number;
  readonly pid: number;
  get(path: string): Promise<void>;
  put(type: string, example: string): Promise<void>;
  stop(): Promise<void>;
}

const moments = ["listeningMs", "metadataMs", "readMs", "searchMs", "cpuMs", "firstWriteMs"] as const;

async function measured(start: () => Promise<RunningService>): Promise<StartUp> {
  const runs: Record<(typeof moments)[number], number>[] = [];
  for (let i = 0; i < starts; i += 1) {
    const service = await start();
    const listeningMs = performance.now() - service.startedMs;
    await service.get("metadata");
    const metadataMs = performance.now() - service.startedMs;
    await service.get("Patient/example");
    const readMs = performance.now() - service.startedMs;
    await service.get("Patient?name=a&_count=1");
    const searchMs = performance.now() - service.startedMs;
    const cpuMs = await processorMs(service.pid);
    await service.put("Observation", "observation-session.json");
    const firstWriteMs = performance.now() - service.startedMs - searchMs;
    runs.push({ listeningMs, metadataMs, readMs, searchMs, cpuMs, firstWriteMs });
    await service.stop();
  }
  const medians = Object.fromEntries(
    moments.map((name) => [name, Math.round(runs.map((run) => run[name]).sort((a, b) => a - b)[starts >> 1] ?? 0)]),
  ) as Omit<StartUp, "restMiB" | "afterRequestsMiB">;
  return { ...medians, ...(await memoryOf(await start())) };
}

async function memoryOf(service: RunningService): Promise<Pick<StartUp, "restMiB" | "afterRequestsMiB">> {
  await service.get("metadata");
  await sleep(10_000);
  const restMiB = await residentMiB(service.pid);
  for (let i = 0; i < mixedRequests / 10; i += 1) {
    await service.put("Observation", "observation-session.json");
    await service.put("DeviceUseStatement", "device-use-session.json");
    await service.put("Task", "task.json");
    await service.put("DeviceRequest", "device-request.json");
    for (const path of [
      "Patient/example",
      "Patient?name=a",
      "Observation?patient=Patient/example&_sort=-date&_count=5",
      "Observation?component-code-value-quantity=a$gt3",
      "Task?status=requested&_include=Task:patient",
      "DeviceUseStatement?_summary=true",
    ])
      await service.get(path);
  }
  const afterRequestsMiB = await residentMiB(service.pid);
  await service.stop();
  return { restMiB, afterRequestsMiB };
}

async function startService(
  folder: string,
  token: string,
  more: Readonly<Record<string, string>>,
): Promise<RunningService> {
  const startedMs = performance.now();
  const hash = createHash("sha256").update(token).digest("hex");
  const child = spawn(process.execPath, [main], {
    cwd: folder,
    env: {
      PATH: process.env.PATH,
      ...{ DATA_DIR: folder, PORT: "0", DEMO: "off", LOG_LEVEL: "error", RATE_LIMIT_PER_MINUTE: "0" },
      ...{ ACCESS_TOKENS: `bench:${hash}`, REFERENCES: "accept" },
      ...more,
    },
    stdio: ["ignore", "pipe", "inherit"],
  });
  const base = await addressOf(child);
  const headers = { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" };
  const ask = async (path: string, rest: RequestInit = {}) => {
    const answer = await fetch(`${base}/${path}`, { headers, ...rest });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${path} was answered with ${answer.status}: ${text.slice(0, 500)}`);
  };
  return {
    startedMs,
    pid: child.pid ?? 0,
    get: (path) => ask(path),
    put: async (type, example) => {
      const body = JSON.parse(await readFile(new URL(example, examples), "utf8")) as object;
      await ask(`${type}/example`, { method: "PUT", body: JSON.stringify({ ...body, id: "example" }) });
    },
    stop: async () => {
      const ended = new Promise((done) => child.once("exit", done));
      child.kill("SIGTERM");
      await ended;
    },
  };
}

/** Where the service says that it listens. */
function addressOf(child: ChildProcess): Promise<string> {
  return new Promise((done, fail) => {
    let said = "";
    child.stdout?.setEncoding("utf8").on("data", (text: string) => {
      said += text;
      const address = /FHIR R4\s+(\S+)/.exec(said)?.[1];
      if (address !== undefined) done(address);
    });
    child.once("exit", (code) => fail(new Error(`the service ended with ${code}: ${said}`)));
  });
}

/** User and system time, which Linux counts in hundredths of a second (proc_pid_stat(5), fields 14 and 15). */
async function processorMs(pid: number): Promise<number> {
  const stat = await readFile(`/proc/${pid}/stat`, "utf8");
  const fields = stat.slice(stat.lastIndexOf(")") + 2).split(" ");
  return (Number(fields[11]) + Number(fields[12])) * 10;
}

async function residentMiB(pid: number): Promise<number> {
  const status = await readFile(`/proc/${pid}/status`, "utf8");
  return Math.round(Number(/VmRSS:\s+(\d+)/.exec(status)?.[1] ?? Number.NaN) / 1_024);
}
