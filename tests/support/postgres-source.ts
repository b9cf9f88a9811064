import { chmod, mkdtemp, realpath, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";

/** A PostgreSQL server for one test run. */
export interface PostgresSource {
  readonly connectionString: string;
  /** For people: which server this is, and why not the one before it in the order of choice. */
  readonly description: string;
  stop(): Promise<void>;
}

const IMAGE = "postgres:18";
const PULL_LIMIT_MS = 120_000;

// The databases of a test run are made anew each time, so nothing is lost when they do not survive a power cut.
const UNSAFE_BUT_FAST = { fsync: "off", full_page_writes: "off", synchronous_commit: "off" };

/**
 * The server named by TEST_DATABASE_URL; else a container, when a Docker engine answers and has or gets the image; else the
 * embedded server in a temporary folder.
 */
export async function openPostgresSource(): Promise<PostgresSource> {
  // biome-ignore lint/complexity/useLiteralKeys: process.env has an index signature
  const named = process.env["TEST_DATABASE_URL"];
  if (named) {
    const server = new URL(named);
    return {
      connectionString: named,
      description: `the server of TEST_DATABASE_URL at ${server.host}`,
      stop: async () => undefined,
    };
  }
  try {
    return await startContainer();
  } catch (error) {
    const reason = error instanceof Error ? error.message : String(error);
    return await startEmbedded(reason);
  }
}

async function startContainer(): Promise<PostgresSource> {
  const { getContainerRuntimeClient, ImageName } = await import("testcontainers");
  const engine = await getContainerRuntimeClient();
  const image = ImageName.fromString(IMAGE);
  if (!(await engine.image.exists(image))) {
    await Promise.race([engine.image.pull(image), failAfter(PULL_LIMIT_MS, `${IMAGE} was not pulled in time`)]);
  }
  const { PostgreSqlContainer } = await import("@testcontainers/postgresql");
  const flags = Object.entries(UNSAFE_BUT_FAST).flatMap(([name, value]) => ["-c", `${name}=${value}`]);
  const container = await new PostgreSqlContainer(IMAGE).withCommand(["postgres", ...flags]).start();
  return {
    connectionString: container.getConnectionUri(),
    description: `a container of ${IMAGE}`,
    stop: async () => {
      await container.stop();
    },
  };
}

async function failAfter(limitMs: number, message: string): Promise<never> {
  await sleep(limitMs, undefined, { ref: false });
  throw new Error(message);
}

async function startEmbedded(whyNoContainer: string): Promise<PostgresSource> {
  const folder = await realpath(await mkdtemp(join(tmpdir(), "tidegate-test-")));
  await chmod(folder, 0o755); // for root, PostgreSQL runs as another user
  const server = await startEmbeddedPostgres({ dataFolder: join(folder, "postgres"), settings: UNSAFE_BUT_FAST });
  return {
    connectionString: server.connectionString,
    description: `the embedded server (no container: ${whyNoContainer})`,
    stop: async () => {
      await server.stop();
      await rm(folder, { recursive: true, force: true });
    },
  };
}
