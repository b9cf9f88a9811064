/** The real service in processes of its own, and a client that goes to several of them in turn. */
import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { Agent, request as httpRequest } from "node:http";
import { createServer } from "node:net";
import { setTimeout as sleep } from "node:timers/promises";
import { tokenHash } from "../../src/http/bearer.ts";

/** What a process is started with. */
export interface ProcessSettings {
  readonly connectionString: string;
  readonly dataFolder: string;
  readonly token: string;
  readonly role: "all" | "api" | "worker";
  readonly name: string;
  readonly port: number;
  readonly more?: Readonly<Record<string, string>>;
}

/** A process that listens. */
export interface RunningProcess {
  readonly origin: string;
  readonly child: ChildProcess;
  /** All it has written so far. */
  said(): string;
  /** Sends the signal and answers the exit code. */
  stop(signal?: NodeJS.Signals): Promise<number | null>;
}

/** A port of this machine that nobody listens on. */
export async function freePort(): Promise<number> {
  const server = createServer().listen(0, "127.0.0.1");
  await once(server, "listening");
  const { port } = server.address() as { port: number };
  server.close();
  await once(server, "close");
  return port;
}

/** Starts the service and waits until it is ready. */
export async function startProcess(settings: ProcessSettings): Promise<RunningProcess> {
  const child = spawn(process.execPath, ["src/main.ts"], {
    env: {
      PATH: process.env.PATH,
      PORT: String(settings.port),
      ROLE: settings.role,
      PROCESS_NAME: settings.name,
      DATA_DIR: settings.dataFolder,
      DATABASE_URL: settings.connectionString,
      ACCESS_TOKENS: `test:${tokenHash(settings.token)}`,
      RATE_LIMIT_PER_MINUTE: "0",
      LOG_LEVEL: "debug",
      DEMO: "off",
      ...settings.more,
    },
    stdio: ["ignore", "pipe", "pipe"],
  });
  let said = "";
  for (const stream of [child.stdout, child.stderr]) stream?.on("data", (chunk: Buffer) => (said += chunk.toString()));
  const origin = `http://127.0.0.1:${settings.port}`;
  for (;;) {
    if (child.exitCode !== null) throw new Error(`${settings.name} ended with ${child.exitCode}: ${said}`);
    const ready = await fetch(`${origin}/health/ready`).catch(() => undefined);
    if (ready?.status === 200) break;
    await sleep(50);
  }
  return {
    origin,
    child,
    said: () => said,
    async stop(signal = "SIGTERM") {
      if (child.exitCode === null) {
        child.kill(signal);
        await once(child, "exit");
      }
      return child.exitCode;
    },
  };
}

/** An answer with its body as text. */
export interface Answer {
  readonly status: number;
  readonly headers: Readonly<Record<string, string | string[] | undefined>>;
  readonly body: string;
}

/** A client of several processes. */
export interface RoundRobin {
  call(method: string, path: string, body?: unknown): Promise<Answer>;
  /** How often it was sent elsewhere before anything was done. */
  readonly turnedAway: { refused: number; unavailable: number };
  close(): void;
}

/**
 * Goes from one origin to the next on connections that are kept. It sends a request again, elsewhere, in two cases alone, in
 * which nothing of it was done: nobody listens, or the answer is 503 with Retry-After, and then not to that one for so long.
 * Any other failure is the caller's.
 */
export function roundRobin(origins: readonly string[], token: string): RoundRobin {
  const agent = new Agent({ keepAlive: true, maxSockets: 16 });
  const awayUntil = new Map<string, number>();
  const turnedAway = { refused: 0, unavailable: 0 };
  let turn = 0;
  const next = () => {
    for (const _ of origins) {
      const origin = origins[turn++ % origins.length] ?? "";
      if ((awayUntil.get(origin) ?? 0) <= Date.now()) return origin;
    }
    return undefined;
  };
  return {
    turnedAway,
    close: () => agent.destroy(),
    async call(method, path, body) {
      for (;;) {
        const origin = next();
        if (origin === undefined) {
          await sleep(20);
          continue;
        }
        try {
          const answer = await send(agent, `${origin}${path}`, { method, token, body });
          const retryAfter = answer.headers["retry-after"];
          if (answer.status !== 503 || retryAfter === undefined) return answer;
          turnedAway.unavailable += 1;
          awayUntil.set(origin, Date.now() + Number(retryAfter) * 1_000);
        } catch (error) {
          if ((error as { code?: string }).code !== "ECONNREFUSED") throw error;
          turnedAway.refused += 1;
          awayUntil.set(origin, Date.now() + 50);
        }
      }
    },
  };
}

function send(
  agent: Agent,
  url: string,
  { method, token, body }: { readonly method: string; readonly token: string; readonly body: unknown },
): Promise<Answer> {
  const text = body === undefined ? undefined : JSON.stringify(body);
  const type = url.includes("/fhir") ? "application/fhir+json" : "application/json";
  return new Promise((resolve, reject) => {
    const headers = { authorization: `Bearer ${token}`, ...(text === undefined ? {} : { "content-type": type }) };
    const sent = httpRequest(url, { method, agent, headers }, (answer) => {
      let read = "";
      answer.setEncoding("utf8");
      answer.on("data", (chunk: string) => (read += chunk));
      answer.on("end", () => resolve({ status: answer.statusCode ?? 0, headers: answer.headers, body: read }));
      answer.on("error", reject);
    });
    sent.on("error", reject);
    sent.end(text);
  });
}
