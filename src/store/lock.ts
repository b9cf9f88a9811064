import type { TenantSession } from "./database.ts";

/** The text that a merge of two people's records holds for itself, and that whatever depends on whose something is shares. */
export const mergingLock = "merging";

/** Holds a lock on this text, of this tenant, until the transaction ends; whoever asks for the same text waits. */
export async function lockText(session: TenantSession, text: string): Promise<void> {
  await session.query("select pg_advisory_xact_lock(hashtextextended($1::text, $2::bigint))", [text, session.tenantId]);
}

/** The same for several texts in one statement, taken in the order of the list: give it in one that everybody keeps. */
export async function lockTexts(session: TenantSession, texts: readonly string[]): Promise<void> {
  if (texts.length === 0) return;
  const taken = "pg_advisory_xact_lock(hashtextextended(t.text, $2::bigint))";
  await session.query(`select ${taken} from unnest($1::text[]) with ordinality as t(text, place) order by t.place`, [
    texts,
    session.tenantId,
  ]);
}

/** Holds the lock of `lockText` beside others who share it: only whoever wants it alone waits, and lets nobody in meanwhile. */
export async function lockTextShared(session: TenantSession, text: string): Promise<void> {
  await session.query("select pg_advisory_xact_lock_shared(hashtextextended($1::text, $2::bigint))", [
    text,
    session.tenantId,
  ]);
}
