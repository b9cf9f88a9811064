import { instant, type TenantSession } from "./database.ts";

/** A system that may come in, as it was registered. */
export interface StoredClient {
  readonly clientId: string;
  readonly name: string;
  readonly role: string;
  readonly scopes: readonly string[];
  /** Its public keys as a JSON Web Key Set; else they are fetched from `jwksUrl`. */
  readonly jwks?: unknown;
  readonly jwksUrl?: string;
  readonly patientId?: string;
  readonly organizationId?: string;
  /** The highest confidentiality that it sees: N, R or V. */
  readonly confidentiality: string;
  readonly version: number;
  readonly changedMs: number;
  readonly disabledMs?: number;
}

interface Row {
  readonly client_id: string;
  readonly name: string;
  readonly role: string;
  readonly scopes: string[];
  readonly jwks: unknown;
  readonly jwks_url: string | null;
  readonly patient_id: string | null;
  readonly organization_id: string | null;
  readonly confidentiality: string;
  readonly version: number;
  readonly changed_at: number;
  readonly disabled_at: number | null;
}

const columns =
  "client_id, name, role, scopes, jwks, jwks_url, patient_id, organization_id, confidentiality, version, changed_at, disabled_at";

/**
 * Registers a client, or changes one where it still is at `version - 1`; false where somebody else was first. The id stays,
 * and tokens that were issued stay with what they let it do.
 */
export async function saveClient(session: TenantSession, one: StoredClient): Promise<boolean> {
  const rows = await session.query(
    `insert into client (tenant_id, ${columns}) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)
     on conflict (tenant_id, client_id) do update set name = excluded.name, role = excluded.role, scopes = excluded.scopes,
       jwks = excluded.jwks, jwks_url = excluded.jwks_url, patient_id = excluded.patient_id,
       organization_id = excluded.organization_id, confidentiality = excluded.confidentiality, version = excluded.version, changed_at = excluded.changed_at,
       disabled_at = excluded.disabled_at
     where client.version = excluded.version - 1
     returning version`,
    [
      session.tenantId,
      one.clientId,
      one.name,
      one.role,
      one.scopes,
      one.jwks === undefined ? null : JSON.stringify(one.jwks),
      one.jwksUrl ?? null,
      one.patientId ?? null,
      one.organizationId ?? null,
      one.confidentiality,
      one.version,
      instant(one.changedMs),
      instant(one.disabledMs),
    ],
  );
  return rows.length === 1;
}

export async function findClient(session: TenantSession, clientId: string): Promise<StoredClient | undefined> {
  const rows = await session.query<Row>(`select ${columns} from client where tenant_id = $1 and client_id = $2`, [
    session.tenantId,
    clientId,
  ]);
  return rows.map(clientOf)[0];
}

/** Clients by id, from behind `afterId` on. */
export async function listClients(session: TenantSession, count: number, afterId = ""): Promise<StoredClient[]> {
  const rows = await session.query<Row>(
    `select ${columns} from client where tenant_id = $1 and client_id > $2 order by client_id limit $3`,
    [session.tenantId, afterId, count],
  );
  return rows.map(clientOf);
}

function clientOf(row: Row): StoredClient {
  return {
    clientId: row.client_id,
    name: row.name,
    role: row.role,
    scopes: row.scopes,
    ...(row.jwks === null ? {} : { jwks: row.jwks }),
    ...(row.jwks_url === null ? {} : { jwksUrl: row.jwks_url }),
    ...(row.patient_id === null ? {} : { patientId: row.patient_id }),
    ...(row.organization_id === null ? {} : { organizationId: row.organization_id }),
    confidentiality: row.confidentiality,
    version: row.version,
    changedMs: row.changed_at,
    ...(row.disabled_at === null ? {} : { disabledMs: row.disabled_at }),
  };
}
