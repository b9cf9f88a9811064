import type { BulkAttempt } from "./bulk-job.ts";
import type { TenantSession } from "./database.ts";

/** What a file of a job is for. */
export type BulkRole = "output" | "deleted" | "error" | "refused" | "source" | "later";

/** A file of newline-delimited JSON. */
export interface BulkFile {
  readonly name: string;
  readonly role: BulkRole;
  /** Resource type of its lines. */
  readonly type: string;
  readonly lines: number;
  /** Unpacked. */
  readonly bytes: number;
  readonly crc32: number;
}

/** A piece of a file: raw DEFLATE of its own that ends at a byte, without a last block. */
export interface BulkChunk {
  readonly firstByte: number;
  /** Unpacked. */
  readonly bytes: number;
  readonly packed: Buffer;
}

/** Stores a piece; false where this attempt of the job no longer counts. */
export async function saveChunk(
  session: TenantSession,
  { jobId, attempt }: BulkAttempt,
  fileAttempt: number,
  name: string,
  { firstByte, bytes, packed }: BulkChunk,
): Promise<boolean> {
  const rows = await session.query(
    `insert into bulk_chunk (tenant_id, job_id, attempt, name, first_byte, bytes, packed)
     select $1::int, $2::text, $4::int, $5::text, $6::bigint, $7::int, $8::bytea from bulk_job
     where tenant_id = $1 and job_id = $2 and attempt = $3 and state in ('running', 'receiving') returning 1`,
    [session.tenantId, jobId, attempt, fileAttempt, name, firstByte, bytes, packed],
  );
  return rows.length > 0;
}

/** Stores what is known of a file, or its new length. */
export async function saveFile(session: TenantSession, { jobId, attempt }: BulkAttempt, file: BulkFile): Promise<void> {
  await session.query(
    `insert into bulk_file (tenant_id, job_id, attempt, name, role, type, lines, bytes, crc32)
     values ($1, $2, $3, $4, $5, $6, $7, $8, $9)
     on conflict (tenant_id, job_id, attempt, name) do update
       set lines = excluded.lines, bytes = excluded.bytes, crc32 = excluded.crc32`,
    [session.tenantId, jobId, attempt, file.name, file.role, file.type, file.lines, file.bytes, file.crc32],
  );
}

/** The files of an attempt by role and name. */
export async function listFiles(session: TenantSession, { jobId, attempt }: BulkAttempt): Promise<BulkFile[]> {
  const rows = await session.query<BulkFile>(
    `select name, role, type, lines::float8 as lines, bytes::float8 as bytes, crc32::float8 as crc32 from bulk_file
     where tenant_id = $1 and job_id = $2 and attempt = $3 order by role, name`,
    [session.tenantId, jobId, attempt],
  );
  return rows;
}

/** The pieces of a file from the one that holds `fromByte` on, at most `most`. */
export async function readChunks(
  session: TenantSession,
  { jobId, attempt }: BulkAttempt,
  name: string,
  fromByte: number,
  most: number,
): Promise<BulkChunk[]> {
  return session.query<BulkChunk>(
    `select first_byte::float8 as "firstByte", bytes, packed from bulk_chunk
     where tenant_id = $1 and job_id = $2 and attempt = $3 and name = $4
       and first_byte >= coalesce((select max(b.first_byte) from bulk_chunk b
         where b.tenant_id = $1 and b.job_id = $2 and b.attempt = $3 and b.name = $4 and b.first_byte <= $5), 0)
     order by first_byte limit $6`,
    [session.tenantId, jobId, attempt, name, fromByte, most],
  );
}

/** How long the pieces of a file are together as they are packed. */
export async function packedBytes(
  session: TenantSession,
  { jobId, attempt }: BulkAttempt,
  name: string,
): Promise<number> {
  const [row] = await session.query<{ bytes: number }>(
    `select coalesce(sum(octet_length(packed)), 0)::float8 as bytes from bulk_chunk
     where tenant_id = $1 and job_id = $2 and attempt = $3 and name = $4`,
    [session.tenantId, jobId, attempt, name],
  );
  return row?.bytes ?? 0;
}

/** Takes away what earlier attempts left. */
export async function deleteEarlier(session: TenantSession, { jobId, attempt }: BulkAttempt): Promise<void> {
  await session.query(
    `with pieces as (delete from bulk_chunk where tenant_id = $1 and job_id = $2 and attempt < $3)
     delete from bulk_file where tenant_id = $1 and job_id = $2 and attempt < $3`,
    [session.tenantId, jobId, attempt],
  );
}

/** Takes one file away. */
export async function deleteFile(session: TenantSession, { jobId, attempt }: BulkAttempt, name: string): Promise<void> {
  await session.query(
    `with pieces as (delete from bulk_chunk where tenant_id = $1 and job_id = $2 and attempt = $3 and name = $4)
     delete from bulk_file where tenant_id = $1 and job_id = $2 and attempt = $3 and name = $4`,
    [session.tenantId, jobId, attempt, name],
  );
}
