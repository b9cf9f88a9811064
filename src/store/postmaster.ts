import { readFile, rm } from "node:fs/promises";
import { basename, join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { run } from "./postgres-programs.ts";

/**
 * What `postmaster.pid` says of a cluster's server.
 * Line 1 is the pid, line 4 the port, line 8 the state (PostgreSQL source, src/include/utils/pidfile.h).
 */
export interface Postmaster {
  readonly pid: number;
  readonly port: number;
  readonly ready: boolean;
}

/** Reads the cluster's pid file; undefined when there is none or it is still being written. Says nothing of who has that pid now. */
export async function readPostmaster(clusterFolder: string): Promise<Postmaster | undefined> {
  const text = await readFile(pidFile(clusterFolder), "utf8").catch(() => "");
  const lines = text.split("\n");
  const pid = Number(lines[0]);
  if (!Number.isInteger(pid) || pid <= 0) return undefined;
  return { pid, port: Number(lines[3] ?? 0), ready: lines[7]?.trim() === "ready" };
}

/**
 * The pid of the parent of the server that runs this cluster, or undefined when the process with that pid is none of ours.
 * Pids are given out again, after a reboot often to another program, so the pid alone is no proof.
 */
export async function parentOfServer(pid: number, clusterFolder: string): Promise<number | undefined> {
  const found = process.platform === "linux" ? await lookIntoProc(pid) : await askPs(pid);
  if (!found) return undefined;
  const [program, ...programArguments] = found.command;
  const isOurs = basename(program ?? "") === "postgres" && programArguments.includes(clusterFolder);
  return isOurs ? found.parentPid : undefined;
}

/** Removes the pid file of a server that is gone, while another program has its pid: PostgreSQL would take that for its server. */
export async function removeStalePidFile(clusterFolder: string): Promise<void> {
  await rm(pidFile(clusterFolder), { force: true });
}

/** Whether a process with this pid exists, our own or not. */
export function isAlive(pid: number): boolean {
  try {
    process.kill(pid, 0);
    return true;
  } catch (error) {
    return (error as NodeJS.ErrnoException).code === "EPERM";
  }
}

/**
 * Stops a server that is no child of this process: clients are cut off, everything committed is written, then it ends.
 * Throws when it still lives after a minute.
 */
export async function stopServer(pid: number, clusterFolder: string): Promise<void> {
  process.kill(pid, "SIGINT"); // PostgreSQL's "fast" shutdown
  const endMs = performance.now() + 60_000;
  // Not `isAlive`: in a container whose first process reaps no orphans, the ended server keeps its pid for ever.
  while ((await parentOfServer(pid, clusterFolder)) !== undefined) {
    if (performance.now() > endMs) throw new Error(`PostgreSQL (process ${pid}) did not stop within a minute`);
    await sleep(25);
  }
}

function pidFile(clusterFolder: string): string {
  return join(clusterFolder, "postmaster.pid");
}

async function lookIntoProc(pid: number): Promise<{ command: string[]; parentPid: number } | undefined> {
  try {
    const command = (await readFile(`/proc/${pid}/cmdline`, "utf8")).split("\0");
    // "pid (name) state parent …": the name may hold spaces and brackets, so count from its end.
    const stat = await readFile(`/proc/${pid}/stat`, "utf8");
    return { command, parentPid: Number(stat.slice(stat.lastIndexOf(")") + 2).split(" ")[1]) };
  } catch {
    return undefined;
  }
}

async function askPs(pid: number): Promise<{ command: string[]; parentPid: number } | undefined> {
  const answer = await run("ps", ["-ww", "-o", "ppid=,command=", "-p", String(pid)]);
  const [, parentPid, program, folder] = /^\s*(\d+)\s+(.*?)\s+-D\s+(.*?)\s+-p\s/.exec(answer.output) ?? [];
  if (answer.code !== 0 || !parentPid || !program || !folder) return undefined;
  return { command: [program, folder], parentPid: Number(parentPid) };
}
