import { join } from "node:path";
import { type Database, openDatabase } from "./database.ts";
import { startEmbeddedPostgres } from "./embedded-postgres.ts";
import { migrate } from "./migrate.ts";
import { isReadyFor, readiness } from "./readiness.ts";

/** A migrated database that is ready for work, and where its owner connects. */
export interface OpenStore {
  readonly database: Database;
  /** For migrations and the job library, which owns its tables. */
  readonly ownerUrl: string;
  readonly embedded: boolean;
  close(): Promise<void>;
}

/** Opens the PostgreSQL at `url`, or starts the embedded one in `dataFolder` without it, and brings it to the current schema. */
export async function openStore(options: {
  url?: string | undefined;
  ownerUrl?: string | undefined;
  dataFolder: string;
  poolSize: number;
  statementTimeoutMs: number;
  onLog: (message: string) => void;
  /** Called when the server starts, or is about to be asked: what follows is mostly waiting. */
  onWaiting?: () => void;
}): Promise<OpenStore> {
  const onSpawn = options.onWaiting ?? (() => undefined);
  if (options.url !== undefined) onSpawn();
  const server =
    options.url === undefined
      ? await startEmbeddedPostgres({ dataFolder: join(options.dataFolder, "postgres"), onLog: options.onLog, onSpawn })
      : undefined;
  const url = options.url ?? server?.connectionString ?? "";
  const ownerUrl = options.ownerUrl ?? url;
  try {
    await migrate(ownerUrl);
  } catch (error) {
    await server?.stop();
    throw error;
  }
  const database = openDatabase(url, {
    poolSize: options.poolSize,
    statementTimeoutMs: options.statementTimeoutMs,
    onError: (error) => options.onLog(error.message),
  });
  return {
    database,
    ownerUrl,
    embedded: server !== undefined,
    close: async () => {
      await database.close();
      await server?.stop();
    },
  };
}

/** Whether the database answers, takes writes, and has the schema and the role that the service works with. */
export async function isReady(database: Database): Promise<boolean> {
  return isReadyFor(await readiness(database));
}
