import { pgTable, primaryKey } from "drizzle-orm/pg-core";
import { bytea, id, tenant } from "./columns.ts";

/** Keys that all processes of one service share and nobody configures, made by the first that needs one; of tenant 0, which is nobody's. */
export const serviceKey = pgTable(
  "service_key",
  {
    tenantId: tenant(),
    name: id("name"),
    key: bytea("key").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.name] })],
);
