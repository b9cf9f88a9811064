import type { TenantSession } from "./database.ts";

/** Holds a lock on this text, of this tenant, until the transaction ends; whoever asks for the same text waits. */
export async function lockText(session: TenantSession, text: string): Promise<void> {
  await session.query("select pg_advisory_xact_lock(hashtextextended($1::text, $2::bigint))", [text, session.tenantId]);
}
