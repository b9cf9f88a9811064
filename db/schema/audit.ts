import { bigint, index, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { bytea, id, instant, tenant, text, texts } from "./columns.ts";

/**
 * Who did what, each row chained to the one before it by its hash. Nobody but the tables' owner can change or take one away.
 * Partitioned by month of `at`, which is in the key for that reason alone: no two rows share tenant and sequence.
 */
export const auditEntry = pgTable(
  "audit_entry",
  {
    tenantId: tenant(),
    /** 1, 2, 3 … of each tenant, without gaps. */
    sequence: bigint("sequence", { mode: "number" }).notNull(),
    at: instant("at").notNull(),
    /** Empty where nobody could be told. */
    clientId: id("client_id"),
    action: text("action").notNull(),
    kind: text("kind").notNull(),
    outcome: text("outcome").notNull(),
    route: text("route").notNull(),
    requestId: text("request_id").notNull(),
    patientIds: texts("patient_ids").notNull(),
    /** `Type/id` of what was touched or shown. */
    entities: texts("entities").notNull(),
    /** The rest as JSON text: the client's name, the query, the reason, the address. */
    body: text("body").notNull(),
    previousHash: bytea("previous_hash").notNull(),
    hash: bytea("hash").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.sequence, t.at] }),
    // "Who looked at this person?"
    index("audit_entry_patients").using("gin", t.patientIds),
    // "What did this client do, last first?"
    index("audit_entry_client").on(t.tenantId, t.clientId, t.sequence),
  ],
);

/** What writers noted in their own transactions, until it is chained: a moment. Writers of one chain would wait for each other. */
export const auditPending = pgTable(
  "audit_pending",
  {
    tenantId: tenant(),
    id: bigint("id", { mode: "number" }).notNull().generatedAlwaysAsIdentity(),
    /** The entry's text as `append_audit` takes it. */
    entry: text("entry").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.id] })],
);

/** Beginnings of a chain that were removed because their time was over: the last row that went, so that the rest hangs on it. */
export const auditRemoval = pgTable(
  "audit_removal",
  {
    tenantId: tenant(),
    sequence: bigint("sequence", { mode: "number" }).notNull(),
    hash: bytea("hash").notNull(),
    removedAt: instant("removed_at").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.sequence] })],
);
