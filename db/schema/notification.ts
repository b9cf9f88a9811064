import { bigint, bigserial, index, integer, text as longText, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { bytea, id, instant, tenant, text } from "./columns.ts";

const count = (name: string) => bigint(name, { mode: "number" }).notNull();

/** What an event says: which version of which resource, and never what stands in it. */
const what = () => ({
  at: instant("at").notNull(),
  type: id("type"),
  id: id("id"),
  version: integer("version").notNull(),
  /** create, update, delete. */
  action: id("action"),
  patientId: text("patient_id"),
  /** The request that wrote it; null where none did. */
  requestId: text("request_id"),
});

/** Where a tenant's events stand, and until when its writes are noted at all. */
export const eventHead = pgTable(
  "event_head",
  {
    tenantId: tenant(),
    /** The number of the last event of `event_log`. */
    number: count("number"),
    watchedUntil: instant("watched_until").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId] })],
);

/** Events as their writes commit: not yet in any order that a reader could remember a place in. */
export const eventOutbox = pgTable(
  "event_outbox",
  { tenantId: tenant(), sequence: bigserial("sequence", { mode: "number" }).notNull(), ...what() },
  (t) => [primaryKey({ columns: [t.tenantId, t.sequence] })],
);

/** The same, numbered without a gap. Kept for some days, for whoever was away. */
export const eventLog = pgTable("event_log", { tenantId: tenant(), number: count("number"), ...what() }, (t) => [
  primaryKey({ columns: [t.tenantId, t.number] }),
  // "What is old enough to go?"
  index("event_log_at").on(t.tenantId, t.at),
]);

/** How far each Subscription is, and what it keeps to itself. The resource says what is asked for. */
export const subscriptionState = pgTable(
  "subscription_state",
  {
    tenantId: tenant(),
    subscriptionId: id("subscription_id"),
    /** Whose eyes it is told with: whoever wrote the Subscription last. */
    clientId: id("client_id"),
    /** Scopes of that write between blanks: the client's own are a bound on them. */
    scopes: longText("scopes").notNull(),
    /** requested, active, error, off. */
    state: id("state"),
    /** Key of the signatures. */
    secret: bytea("secret").notNull(),
    /** Lines of `channel.header` as they were sent, as JSON text: the resource shows none of them. */
    headers: longText("headers").notNull(),
    /** Events told or to be told since it began. */
    events: count("events"),
    /** The highest that was taken by the endpoint. */
    delivered: count("delivered"),
    /** The last event of `event_log` that was looked at for it. */
    readTo: count("read_to"),
    failures: integer("failures").notNull().default(0),
    tryAt: instant("try_at").notNull(),
    heartbeatAt: instant("heartbeat_at"),
    /** Until when a job has it to itself. */
    claimedUntil: instant("claimed_until").notNull(),
    problem: longText("problem"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.subscriptionId] })],
);

/** What one Subscription is told, by its own numbers. */
export const subscriptionEvent = pgTable(
  "subscription_event",
  { tenantId: tenant(), subscriptionId: id("subscription_id"), number: count("number"), ...what() },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.subscriptionId, t.number] }),
    index("subscription_event_at").on(t.tenantId, t.at),
  ],
);
