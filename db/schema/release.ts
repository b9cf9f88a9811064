import { integer, text as longText, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { id, instant, tenant, text } from "./columns.ts";

/**
 * Population figures for commissioners as they were released. A trigger freezes what was computed: nobody changes it or takes
 * it away, the tables' owner included. No column names a person whom records are about; those named work for the service.
 */
export const populationRelease = pgTable(
  "population_release",
  {
    tenantId: tenant(),
    /** 1, 2, 3 … of each tenant. */
    number: integer("number").notNull(),
    period: id("period"),
    policy: id("policy"),
    /** computing, refused, drafted, released, withdrawn. */
    state: id("state"),
    /** Persons counted so far, and how many there are; both 0 before the count begins. */
    progressDone: integer("progress_done").notNull().default(0),
    progressTotal: integer("progress_total").notNull().default(0),
    askedAt: instant("asked_at").notNull(),
    askedByClient: id("asked_by_client"),
    askedByName: id("asked_by_name"),
    signedAt: instant("signed_at"),
    signedByClient: text("signed_by_client"),
    signedByName: text("signed_by_name"),
    withdrawnAt: instant("withdrawn_at"),
    withdrawnByClient: text("withdrawn_by_client"),
    withdrawnByName: text("withdrawn_by_name"),
    /** Why it was refused or withdrawn, in words. */
    reason: text("reason"),
    /** The frozen content as JSON text. */
    body: longText("body"),
    /** SHA-256 of the body, in hexadecimal digits. */
    sha256: text("sha256"),
    /** What the audit found, as JSON text without any count that is hidden. */
    audit: longText("audit"),
    /** What audits of later releases need, as JSON text. It holds what must not be shown: no door reads it. */
    publication: longText("publication"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.number] })],
);
