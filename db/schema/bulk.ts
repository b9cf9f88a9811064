import { bigint, integer, text as longText, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { bytea, id, instant, tenant, text } from "./columns.ts";

const count = (name: string) => bigint(name, { mode: "number" }).notNull();

/**
 * Exports and imports of many resources that were asked for (https://hl7.org/fhir/uv/bulkdata/STU2/export.html). A row and its
 * files show to the client that asked, and to the job that works on it.
 */
export const bulkJob = pgTable(
  "bulk_job",
  {
    tenantId: tenant(),
    jobId: id("job_id"),
    /** export, import. */
    kind: id("kind"),
    clientId: id("client_id"),
    clientName: text("client_name"),
    /** receiving, waiting, running, done, failed. */
    state: id("state"),
    /** Address of the kick-off, as the manifest repeats it. */
    requestUrl: id("request_url"),
    /** What was asked for, as JSON text. */
    asked: longText("asked").notNull(),
    /** What the grant of the kick-off may see, as JSON text: the database holds the job to it. */
    confinement: longText("confinement").notNull(),
    /** Scopes of the kick-off between blanks. */
    scopes: longText("scopes").notNull(),
    askedAt: instant("asked_at").notNull(),
    /** When its job last gave a sign of life. */
    heartbeatAt: instant("heartbeat_at").notNull(),
    polledAt: instant("polled_at"),
    /** How often it was begun: what an earlier attempt left counts for nothing. */
    attempt: integer("attempt").notNull().default(0),
    progress: longText("progress").notNull().default(""),
    /** Where an import goes on, as JSON text. */
    place: longText("place"),
    transactionTime: instant("transaction_time"),
    finishedAt: instant("finished_at"),
    expiresAt: instant("expires_at"),
    /** Why it failed, in words. */
    reason: longText("reason"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.jobId] })],
);

/** A file of newline-delimited JSON that such a job made, or that an import was given. */
export const bulkFile = pgTable(
  "bulk_file",
  {
    tenantId: tenant(),
    jobId: id("job_id"),
    attempt: integer("attempt").notNull(),
    /** Such as Patient-1: what its address ends with. */
    name: id("name"),
    /** output, deleted, error, refused, source, later. */
    role: id("role"),
    /** Resource type of its lines. */
    type: id("type"),
    lines: count("lines"),
    bytes: count("bytes"),
    /** CRC-32 of its bytes, with which its gzip form ends. */
    crc32: count("crc32"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.jobId, t.attempt, t.name] })],
);

/**
 * A piece of a file: raw DEFLATE that needs nothing of the pieces before it and ends at a byte. So any range is read from the
 * pieces that hold it, and all of them behind each other are one stream.
 */
export const bulkChunk = pgTable(
  "bulk_chunk",
  {
    tenantId: tenant(),
    jobId: id("job_id"),
    attempt: integer("attempt").notNull(),
    name: id("name"),
    /** Where its unpacked bytes begin in the file, and how many they are. */
    firstByte: count("first_byte"),
    bytes: integer("bytes").notNull(),
    packed: bytea("packed").notNull(),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.jobId, t.attempt, t.name, t.firstByte] })],
);
