import { sql } from "drizzle-orm";
import { bigint, boolean, doublePrecision, index, integer, pgTable, primaryKey, smallint } from "drizzle-orm/pg-core";
import { body, id, instant, tenant, text } from "./columns.ts";

/** 0 for normal and less, 1 for restricted, 2 for very restricted: told from the body by the database itself. */
const confidentiality = () =>
  smallint("confidentiality").generatedAlwaysAs(
    sql`case when strpos(body, 'v3-Confidentiality') = 0 then 0::smallint else confidentiality_of(body) end`,
  );

/** Current version of each resource, with what search asks of it in the same row. */
export const resource = pgTable(
  "resource",
  {
    tenantId: tenant(),
    type: text("type").notNull(),
    id: id("id"),
    version: integer("version").notNull(),
    lastUpdated: instant("last_updated").notNull(),
    deleted: boolean("deleted").notNull().default(false),
    patientId: text("patient_id"),
    startedAt: instant("started_at"),
    endedAt: instant("ended_at"),
    terms: bigint("terms", { mode: "bigint" }).array().notNull(),
    quantityKeys: bigint("quantity_keys", { mode: "bigint" }).array(),
    quantityUnits: bigint("quantity_units", { mode: "bigint" }).array(),
    quantityLows: doublePrecision("quantity_lows").array(),
    quantityHighs: doublePrecision("quantity_highs").array(),
    quantityPlaces: smallint("quantity_places").array(),
    placeTerms: bigint("place_terms", { mode: "bigint" }).array(),
    body: body(),
    confidentiality: confidentiality(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.type, t.id] }),
    // "What does this patient have of this type, newest first?"
    index("resource_patient_time")
      .on(t.tenantId, t.type, t.patientId, t.startedAt.desc().nullsLast())
      .where(sql`patient_id is not null`),
    // "What changed since …?"
    index("resource_changed").on(t.tenantId, t.type, t.lastUpdated, t.id),
    // Every other token, reference and uri question.
    index("resource_terms").using("gin", t.terms),
  ],
);

/** Versions that have been replaced. Partitioned by month of `replacedAt`, so that whole months can go when their time is over. */
export const resourceVersion = pgTable(
  "resource_version",
  {
    tenantId: tenant(),
    type: text("type").notNull(),
    id: id("id"),
    version: integer("version").notNull(),
    lastUpdated: instant("last_updated").notNull(),
    deleted: boolean("deleted").notNull(),
    body: body(),
    confidentiality: confidentiality(),
    /** When the next version was made. Of versions from before there was this column: not later than. */
    replacedAt: instant("replaced_at").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.type, t.id, t.version, t.replacedAt] }),
    // "What changed since …?": the replaced half of a history.
    index("resource_version_changed").on(t.tenantId, t.type, t.lastUpdated, t.id, t.version),
  ],
);

export const resourceString = pgTable(
  "resource_string",
  {
    tenantId: tenant(),
    key: bigint("key", { mode: "bigint" }).notNull(),
    folded: text("folded").notNull(),
    exact: text("exact").notNull(),
    type: text("type").notNull(),
    id: id("id"),
  },
  (t) => [
    // "Whose name starts with …?"
    index("resource_string_value").on(t.tenantId, t.key, t.folded),
    index("resource_string_resource").on(t.tenantId, t.type, t.id),
  ],
);

export const resourceDate = pgTable(
  "resource_date",
  {
    tenantId: tenant(),
    key: bigint("key", { mode: "bigint" }).notNull(),
    low: instant("low").notNull(),
    high: instant("high").notNull(),
    type: text("type").notNull(),
    id: id("id"),
  },
  (t) => [
    // "Which were authored, born, due … between?"
    index("resource_date_value").on(t.tenantId, t.key, t.low),
    index("resource_date_resource").on(t.tenantId, t.type, t.id),
  ],
);
