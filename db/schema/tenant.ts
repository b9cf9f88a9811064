import { integer, pgTable } from "drizzle-orm/pg-core";
import { text } from "./columns.ts";

export const tenants = pgTable("tenant", {
  tenantId: integer("tenant_id").primaryKey().generatedAlwaysAsIdentity(),
  slug: text("slug").notNull().unique(),
});
