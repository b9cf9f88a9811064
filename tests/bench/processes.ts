import { mkdtemp, rm } from "node:fs/promises";
import { availableParallelism, tmpdir } from "node:os";
import { join } from "node:path";
import { numberedUpload, peopleBundle } from "../support/loads.ts";
import { freePort, type RoundRobin, type RunningProcess, roundRobin, startProcess } from "../support/processes.ts";

const [people, lanes, seconds, rounds] = [50, 16, 3, 3];
const token = "token-of-the-bench";

/** Requests a second, medians of slices, and the sessions in the uploads. */
interface Rates {
  readonly readsASecond: number;
  readonly uploadsASecond: number;
  readonly sessionsASecond: number;
}

/** What one api process and two do on this machine, with two workers beside them and PostgreSQL on the same cores. */
export interface ProcessFigures {
  readonly cores: number;
  readonly one: Rates;
  readonly two: Rates;
  readonly ratio: { readonly reads: number; readonly uploads: number };
}

const sessionsEach = 14;

/**
 * Reads (a person's newest five sessions) and uploads of 14 sessions through real processes over HTTP, 16 at a time. One and two
 * api processes take turns in slices of three seconds, so that both see the same weather; the two workers review all the while.
 * The database, the client and all processes share the cores: on two of them a second api process can gain only what the first
 * leaves idle while it waits. What it shows there is that nothing is shared that would make the second worse.
 */
export async function measureProcesses(connectionString: string): Promise<ProcessFigures> {
  const folder = await mkdtemp(join(tmpdir(), "tidegate-processes-"));
  const running: RunningProcess[] = [];
  try {
    for (const role of ["api", "api", "worker", "worker"] as const) {
      const [name, port] = [`${role}-${running.length}`, await freePort()];
      const more = { LOG_LEVEL: "error", DRAIN_SECONDS: "0" };
      running.push(
        await startProcess({ connectionString, dataFolder: join(folder, name), token, role, name, port, more }),
      );
    }
    const origins = running.slice(0, 2).map(({ origin }) => origin);
    const clients = [origins.slice(0, 1), origins].map((some) => roundRobin(some, token));
    const [one, two] = await measure(clients[0] as RoundRobin, clients[1] as RoundRobin);
    for (const client of clients) client.close();
    const ratio = {
      reads: round(two.readsASecond / one.readsASecond),
      uploads: round(two.uploadsASecond / one.uploadsASecond),
    };
    return { cores: availableParallelism(), one, two, ratio };
  } finally {
    await Promise.all(running.map((each) => each.stop()));
    await rm(folder, { recursive: true, force: true });
  }
}

async function measure(one: RoundRobin, two: RoundRobin): Promise<[Rates, Rates]> {
  await expectOk(one, "POST", "/fhir", peopleBundle(people));
  let next = 0;
  const upload = (client: RoundRobin) =>
    expectOk(client, "POST", "/api/v1/use-records", numberedUpload(next++, people, sessionsEach));
  const read = (client: RoundRobin) =>
    expectOk(client, "GET", `/fhir/Observation?patient=p${next++ % people}&_sort=-date&_count=5`);
  await slice(() => upload(two), 1);
  const found = [one, two].map((client) => ({ client, reads: [] as number[], uploads: [] as number[] }));
  for (let turn = 0; turn < rounds; turn++) {
    for (const { client, uploads } of found) uploads.push(await slice(() => upload(client), seconds));
    for (const { client, reads } of found) reads.push(await slice(() => read(client), seconds));
  }
  const [first, second] = found.map(({ reads, uploads }) => ({
    readsASecond: round(median(reads)),
    uploadsASecond: round(median(uploads)),
    sessionsASecond: round(median(uploads) * sessionsEach),
  }));
  return [first as Rates, second as Rates];
}

/** How often a second the deed was done, by all lanes together. */
async function slice(deed: () => Promise<void>, forSeconds: number): Promise<number> {
  const start = performance.now();
  let done = 0;
  await Promise.all(
    Array.from({ length: lanes }, async () => {
      while (performance.now() - start < forSeconds * 1_000) {
        await deed();
        done += 1;
      }
    }),
  );
  return (done * 1_000) / (performance.now() - start);
}

async function expectOk(client: RoundRobin, method: string, path: string, body?: unknown): Promise<void> {
  const { status, body: text } = await client.call(method, path, body);
  if (status !== 200) throw new Error(`${path}: ${status} ${text.slice(0, 500)}`);
}

const median = (values: readonly number[]) => values.toSorted((a, b) => a - b)[values.length >> 1] ?? Number.NaN;
const round = (value: number) => Math.round(value * 100) / 100;
