import type { Database } from "./database.ts";

/** A home ventilation service or hospital whose records are kept apart from all others. */
export interface Tenant {
  readonly tenantId: number;
  readonly slug: string;
}

/** The tenant of this name, made when it does not exist yet. */
export async function ensureTenant(database: Database, slug: string): Promise<Tenant> {
  await database.pool.query("insert into tenant (slug) values ($1) on conflict (slug) do nothing", [slug]);
  const found = await findTenant(database, slug);
  if (found === undefined) throw new Error("a tenant vanished while it was made");
  return found;
}

/** The tenant of this name, or undefined. */
export async function findTenant(database: Database, slug: string): Promise<Tenant | undefined> {
  const answer = await database.pool.query("select tenant_id, slug from tenant where slug = $1", [slug]);
  const row = answer.rows[0] as { tenant_id: number; slug: string } | undefined;
  return row && { tenantId: row.tenant_id, slug: row.slug };
}

/** The tenant of this number; one that does not exist is a broken assumption. */
export async function tenantOf(database: Database, tenantId: number): Promise<Tenant> {
  const answer = await database.pool.query("select tenant_id, slug from tenant where tenant_id = $1", [tenantId]);
  const row = answer.rows[0] as { tenant_id: number; slug: string } | undefined;
  if (row === undefined) throw new Error("there is no such tenant");
  return { tenantId: row.tenant_id, slug: row.slug };
}

/** Every tenant, for jobs that go round all of them. */
export async function listTenants(database: Database): Promise<Tenant[]> {
  const answer = await database.pool.query("select tenant_id, slug from tenant order by tenant_id");
  return (answer.rows as { tenant_id: number; slug: string }[]).map((row) => ({
    tenantId: row.tenant_id,
    slug: row.slug,
  }));
}
