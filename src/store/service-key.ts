import { randomBytes } from "node:crypto";
import { type Database, inTenant } from "./database.ts";

/** The tenant that is nobody's. */
const nobody = 0;

/**
 * The key of this name, 32 bytes: the same for every process on the database and after every restart. Whoever asks first makes
 * it; of two that do so at once one waits for the other.
 */
export async function sharedKey(database: Database, name: string): Promise<Buffer> {
  return inTenant(database, nobody, async (session) => {
    await session.query(
      "insert into service_key (tenant_id, name, key) values ($1, $2, $3) on conflict (tenant_id, name) do nothing",
      [session.tenantId, name, randomBytes(32)],
    );
    const rows = await session.query<{ key: Buffer }>(
      "select key from service_key where tenant_id = $1 and name = $2",
      [session.tenantId, name],
    );
    const key = rows[0]?.key;
    if (key === undefined) throw new Error(`the key ${name} is neither there nor could it be made`);
    return key;
  });
}
