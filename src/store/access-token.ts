import { instant, type TenantSession } from "./database.ts";

/** A token that is in force, with the client that holds it as it is now. */
export interface TokenInForce {
  readonly clientId: string;
  readonly clientName: string;
  readonly role: string;
  readonly scopes: readonly string[];
  readonly issuedMs: number;
  readonly expiresMs: number;
  readonly confidentiality: string;
  readonly patientId?: string;
  readonly organizationId?: string;
}

interface Row {
  readonly client_id: string;
  readonly name: string;
  readonly role: string;
  readonly scopes: string[];
  readonly issued_at: number;
  readonly expires_at: number;
  readonly confidentiality: string;
  readonly patient_id: string | null;
  readonly organization_id: string | null;
}

/**
 * Keeps a token (by its hash) in exchange for an assertion (by its hash); false where the assertion was used before, by
 * whichever process. One statement: of two at the same moment one is refused.
 */
export async function issueToken(
  session: TenantSession,
  token: {
    readonly clientId: string;
    readonly tokenHash: Buffer;
    readonly scopes: readonly string[];
    readonly issuedMs: number;
    readonly expiresMs: number;
    readonly assertionHash: Buffer;
    readonly assertionExpiresMs: number;
  },
): Promise<boolean> {
  const rows = await session.query(
    `with used as (
       insert into used_assertion (tenant_id, client_id, assertion_hash, expires_at) values ($1, $2, $3, $4)
       on conflict do nothing returning client_id
     )
     insert into access_token (tenant_id, token_hash, client_id, scopes, issued_at, expires_at)
     select $1, $5, client_id, $6::text[], $7, $8 from used returning client_id`,
    [
      session.tenantId,
      token.clientId,
      token.assertionHash,
      instant(token.assertionExpiresMs),
      token.tokenHash,
      token.scopes,
      instant(token.issuedMs),
      instant(token.expiresMs),
    ],
  );
  return rows.length === 1;
}

/** The token of this hash, unless it is over, revoked, or its client is disabled. */
export async function tokenInForce(
  session: TenantSession,
  tokenHash: Buffer,
  nowMs: number,
): Promise<TokenInForce | undefined> {
  const [row] = await session.query<Row>(
    `select t.client_id, c.name, c.role, t.scopes, t.issued_at, t.expires_at, c.confidentiality, c.patient_id, c.organization_id
     from access_token t join client c on c.tenant_id = t.tenant_id and c.client_id = t.client_id
     where t.tenant_id = $1 and t.token_hash = $2 and t.expires_at > $3 and t.revoked_at is null and c.disabled_at is null`,
    [session.tenantId, tokenHash, instant(nowMs)],
  );
  if (row === undefined) return undefined;
  return {
    clientId: row.client_id,
    clientName: row.name,
    role: row.role,
    scopes: row.scopes,
    issuedMs: row.issued_at,
    expiresMs: row.expires_at,
    confidentiality: row.confidentiality,
    ...(row.patient_id === null ? {} : { patientId: row.patient_id }),
    ...(row.organization_id === null ? {} : { organizationId: row.organization_id }),
  };
}

/** Ends a token of one client, or of whichever client where none is named; a token that is not there is ended already. */
export async function revokeToken(
  session: TenantSession,
  tokenHash: Buffer,
  nowMs: number,
  clientId?: string,
): Promise<void> {
  await session.query(
    `update access_token set revoked_at = $3
     where tenant_id = $1 and token_hash = $2 and revoked_at is null and ($4::text is null or client_id = $4)`,
    [session.tenantId, tokenHash, instant(nowMs), clientId ?? null],
  );
}

/** Forgets tokens and assertions that were over before a moment; answers how many. */
export async function forgetOverTokens(session: TenantSession, beforeMs: number): Promise<number> {
  const [row] = await session.query<{ count: number }>(
    `with tokens as (delete from access_token where tenant_id = $1 and expires_at < $2 returning 1),
       assertions as (delete from used_assertion where tenant_id = $1 and expires_at < $2 returning 1)
     select ((select count(*) from tokens) + (select count(*) from assertions))::int as count`,
    [session.tenantId, instant(beforeMs)],
  );
  return row?.count ?? 0;
}
