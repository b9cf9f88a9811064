import { join } from "node:path";
import { type Database, openDatabase } from "./database.ts";
import { startEmbeddedPostgres } from "./embedded-postgres.ts";
import { migrate } from "./migrate.ts";

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
}): Promise<OpenStore> {
  const server =
    options.url === undefined
      ? await startEmbeddedPostgres({ dataFolder: join(options.dataFolder, "postgres"), onLog: options.onLog })
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

/** Whether the database answers with the schema in place. */
export async function isReady(database: Database): Promise<boolean> {
  try {
    await database.pool.query("select 1 from tenant limit 1");
    return true;
  } catch {
    return false;
  }
}
