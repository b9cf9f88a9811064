import { Client, Pool } from "pg";
import type { Service } from "../../src/flows/service.ts";
import { type Database, openDatabase } from "../../src/store/database.ts";
import { migrate } from "../../src/store/migrate.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import type { Effort } from "./compare.ts";
import { type Served, serve } from "./served.ts";
import { benchService } from "./service.ts";

/** What a work is measured with: one database, the service on it, and plain connections beside it. */
export interface Workbench {
  readonly url: string;
  readonly admin: Client;
  /** For the raw side: no role, no policies, no waiting for answers one by one. */
  readonly rawPool: Pool;
  readonly database: Database;
  readonly service: Service;
  readonly served: Served;
  readonly tenantId: number;
  readonly effort: Effort;
  close(): Promise<void>;
}

export const benchTenant = "bench";

/** Migrates the database, starts the service on it and opens everything else. */
export async function openWorkbench(url: string, dataFolder: string, effort: Effort): Promise<Workbench> {
  await migrate(url);
  const admin = new Client({ connectionString: url });
  await admin.connect();
  await admin.query("create extension if not exists pg_stat_statements").catch(() => undefined);
  const rawPool = new Pool({
    connectionString: url,
    max: 32,
    idleTimeoutMillis: 0,
    options: "-c jit=off -c timezone=UTC",
  });
  // The server may end first, when the bench is over.
  rawPool.on("error", () => undefined);
  const database = openDatabase(url, { statementTimeoutMs: 1_200_000 });
  const { tenantId } = await ensureTenant(database, benchTenant);
  const served = await serve(url, dataFolder, benchTenant);
  return {
    url,
    admin,
    rawPool,
    database,
    service: benchService(database),
    served,
    tenantId,
    effort,
    async close() {
      await served.stop();
      await database.close();
      await rawPool.end();
      await admin.end();
    },
  };
}

/** As autovacuum would, had it had its time. */
export async function settle(admin: Client): Promise<void> {
  await admin.query("vacuum analyze");
  await admin.query("checkpoint");
}
