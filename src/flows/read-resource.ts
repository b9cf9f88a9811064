import { accepted, type Result, refused } from "../domain/result.ts";
import { readInTenant } from "../store/database.ts";
import { readResource, readVersion, type StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** The current version of a resource: 404 when there never was one here, 410 when it is deleted. */
export async function read(
  service: Service,
  tenantId: number,
  type: string,
  id: string,
): Promise<Result<StoredResource>> {
  const stored = await readInTenant(service.database, tenantId, (session) => readResource(session, type, id));
  return thatIsThere(stored, `${type}/${id}`);
}

/** One version of a resource, current or replaced. */
export async function readOneVersion(
  service: Service,
  tenantId: number,
  target: { type: string; id: string; version: number },
): Promise<Result<StoredResource>> {
  const { type, id, version } = target;
  const stored = await readInTenant(service.database, tenantId, (session) => readVersion(session, type, id, version));
  return thatIsThere(stored, `${type}/${id}/_history/${version}`);
}

/** What was found, if it is there: 404 for what never was, 410 for what is deleted. */
export function thatIsThere(stored: StoredResource | undefined, reference: string): Result<StoredResource> {
  if (stored === undefined)
    return refused({ kind: "not-found", detail: `There is no ${reference} here.`, status: 404 });
  if (stored.deleted) return refused({ kind: "deleted", detail: `${reference} has been deleted.`, status: 410 });
  return accepted(stored);
}
