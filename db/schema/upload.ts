import { index, integer, jsonb, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { bytea, id, instant, tenant, text } from "./columns.ts";

/** Everything that arrived, and what became of it. */
export const receivedUpload = pgTable(
  "received_upload",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    receivedAt: instant("received_at").notNull(),
    lastTriedAt: instant("last_tried_at").notNull(),
    attempts: integer("attempts").notNull(),
    contentType: text("content_type").notNull(),
    contentEncoding: text("content_encoding").notNull(),
    sha256: bytea("sha256").notNull(),
    /** Of what arrived, whether it is still here or not. */
    sizeBytes: integer("size_bytes").notNull(),
    status: text("status").notNull(),
    /** Why the whole upload was refused, as far as it can be mended and replayed. */
    reason: text("reason"),
    deviceIdentifier: text("device_identifier"),
    deviceId: text("device_id"),
    report: jsonb("report").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.uploadId] }),
    // The list of what was refused, newest first; and what waits for one device.
    index("received_upload_status").on(t.tenantId, t.status, t.receivedAt),
    index("received_upload_device").on(t.tenantId, t.deviceIdentifier, t.reason),
  ],
);

/**
 * What arrived, byte for byte. Partitioned by month of `filedAt`: when it arrived, or infinity where it is kept although its
 * time is over, because something of it was refused.
 */
export const receivedContent = pgTable(
  "received_content",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    filedAt: instant("filed_at").notNull(),
    bytes: bytea("bytes").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.uploadId, t.filedAt] })],
);

/** One row per record of an upload that was refused; gone again when a replay accepts it. */
export const refusedRecord = pgTable(
  "refused_record",
  {
    tenantId: tenant(),
    uploadId: id("upload_id"),
    position: integer("position").notNull(),
    kind: text("kind").notNull(),
    refusals: jsonb("refusals").notNull(),
    received: jsonb("received").notNull(),
    /** The stored session it contradicts, where it does. */
    sessionId: text("session_id"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.uploadId, t.position] })],
);
