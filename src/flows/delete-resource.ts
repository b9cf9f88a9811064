import type { Result } from "../domain/result.ts";
import { lockResources, referenceOf } from "../store/resource.ts";
import { commitOne, commitWrites } from "./commit-writes.ts";
import { matchAll } from "./criteria.ts";
import { lockSeen } from "./seen-by-writer.ts";
import type { Service } from "./service.ts";
import { orRollBack, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";
import { versionRefusal, type WriteTarget } from "./write-resource.ts";

/** Deletes `type/id`: later reads answer 410, its history stays. Deleting what is not there is no error. */
export async function deleteResource(
  service: Service,
  tenantId: number,
  target: WriteTarget,
): Promise<Result<{ readonly version: number | undefined }>> {
  const { type, id } = target;
  return writeInTenant(service, tenantId, async (session) => {
    const [current] = await lockSeen(service, session, [referenceOf(target)]);
    const stale = versionRefusal(target, current);
    if (stale !== undefined) throw new RefusedWrite([stale]);
    if (current === undefined || current.deleted) return { version: current?.version };
    return { version: (await commitOne(service, session, { type, id }, current)).version };
  });
}

/**
 * Deletes everything of a type that answers the criteria, all or nothing (https://hl7.org/fhir/R4/http.html#3.1.0.7.1).
 * More than the bound is refused with 412; nothing found is no error. Answers how many were deleted.
 */
export async function deleteWhere(
  service: Service,
  tenantId: number,
  target: { readonly type: string; readonly criteria: string },
): Promise<Result<{ readonly deleted: number }>> {
  const { type, criteria } = target;
  return writeInTenant(service, tenantId, async (session) => {
    const found = orRollBack(await matchAll(service, session, { type, text: criteria }));
    const locked = await lockResources(session, found.map(referenceOf));
    const current = locked.filter((one) => !one.deleted);
    await commitWrites(
      service,
      session,
      current.map(({ id }) => ({ type, id })),
      new Map(current.map((one) => [referenceOf(one), one])),
    );
    return { deleted: current.length };
  });
}
