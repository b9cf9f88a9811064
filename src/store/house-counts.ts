import type { Database } from "./database.ts";
import { rowsAstray } from "./partition.ts";

/** How many of one kind there are in all tenants together. */
export interface HouseCount {
  readonly counted:
    | "job"
    | "noted entry"
    | "bulk job"
    | "upload"
    | "message"
    | "subscription"
    | "notification"
    | "row astray";
  /** Kind of the job or of the bulk job, or the table of rows astray; empty otherwise. */
  readonly kind: string;
  /** waiting, later, running, failed of a job; the state or status of the others. */
  readonly state: string;
  readonly rows: number;
  /** Age of the one that waits longest, in seconds; null where nobody waits. */
  readonly oldestSeconds: number | null;
}

/** Numbers about what waits, runs and was refused, of the whole house; one statement, and one for rows astray. Rows of the same kind may come once a tenant. */
export async function houseCounts(database: Database): Promise<HouseCount[]> {
  const [{ rows }, astray] = await Promise.all([
    database.pool.query<HouseCount>(
      `select counted, kind, state, number as rows, oldest_seconds as "oldestSeconds" from house_counts()`,
    ),
    rowsAstray(database),
  ]);
  return [
    ...rows,
    ...astray.map(({ table, rows }) => ({
      counted: "row astray" as const,
      kind: table,
      state: "",
      rows,
      oldestSeconds: null,
    })),
  ];
}
