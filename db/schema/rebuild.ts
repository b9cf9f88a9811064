import { bigint, integer, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { id, instant, tenant } from "./columns.ts";

/** Where a rebuild of derived rows has come to, so that one that was interrupted goes on. Empty while none is under way. */
export const rebuildPlace = pgTable(
  "rebuild_place",
  {
    tenantId: tenant(),
    /** The type it is at, and the last id of it that is done; both empty at the beginning. */
    type: id("type"),
    afterId: id("after_id"),
    /** Resources done, and how many there were when it began. */
    done: bigint("done", { mode: "number" }).notNull(),
    total: bigint("total", { mode: "number" }).notNull(),
    /** How often it was begun or gone on with. */
    starts: integer("starts").notNull(),
    startedAt: instant("started_at").notNull(),
    finishedAt: instant("finished_at"),
  },
  (t) => [primaryKey({ columns: [t.tenantId] })],
);
