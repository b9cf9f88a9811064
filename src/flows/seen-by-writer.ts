import { type TenantSession, withholdingOf, withTheirEyes } from "../store/database.ts";
import { lockResources, referenceOf, type StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";
import { RefusedWrite } from "./write-in-tenant.ts";

/** Locks the current versions of these `Type/id` that show to the writer; what is withheld is to them as what never was. */
export function lockSeen(
  service: Service,
  session: TenantSession,
  references: readonly string[],
): Promise<StoredResource[]> {
  return withTheirEyes(service.database, session, () => lockResources(session, references));
}

/**
 * Refuses, as a read would be, what would be written under an id that belongs to something withheld from the writer: it must
 * not be overwritten. `seen` are those that show.
 */
export async function refuseWithheld(
  service: Service,
  session: TenantSession,
  references: readonly string[],
  seen: readonly StoredResource[],
): Promise<void> {
  if (withholdingOf(service.database.confinement) === undefined) return;
  const known = new Set(seen.map(referenceOf));
  const [withheld] = await lockResources(
    session,
    references.filter((reference) => !known.has(reference)),
  );
  if (withheld === undefined) return;
  const detail = `There is no ${referenceOf(withheld)} here.`;
  throw new RefusedWrite([{ kind: "not-found", detail, status: 404 }]);
}
