import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../domain/result.ts";
import { readJson, storedExact } from "../fhir/json.ts";
import { applyPatch } from "../fhir/patch/patch.ts";
import { checkResource } from "../fhir/resource-check.ts";
import type { TenantSession } from "../store/database.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";
import { commitOne, type Write } from "./commit-writes.ts";
import { matchToPatch } from "./criteria.ts";
import { thatIsThere } from "./read-resource.ts";
import { lockSeen } from "./seen-by-writer.ts";
import type { Service } from "./service.ts";
import { orRollBack, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";
import { versionRefusal, type WriteTarget, type WrittenResource } from "./write-resource.ts";

/**
 * Applies a patch to the current version of `type/id` and stores the result as the next one; the version is locked in
 * between, so no other write is lost. `ifVersion` (from If-Match) refuses with 412 when another version is current,
 * 404 and 410 answer what is not there or deleted (https://hl7.org/fhir/R4/http.html#patch).
 */
export async function patchResource(
  service: Service,
  tenantId: number,
  target: WriteTarget,
  contentType: string,
  text: string,
): Promise<Result<WrittenResource>> {
  return writeInTenant(service, tenantId, (session) => savePatched(service, session, target, contentType, text));
}

/**
 * Patches the one resource that answers the criteria: 404 where none does, 412 where several do
 * (https://hl7.org/fhir/R4/http.html#patch, conditional patch).
 */
export async function patchWhere(
  service: Service,
  tenantId: number,
  target: Omit<WriteTarget, "id"> & { readonly criteria: string },
  contentType: string,
  text: string,
): Promise<Result<WrittenResource>> {
  const { type, criteria, ...conditions } = target;
  return writeInTenant(service, tenantId, async (session) => {
    const existing = orRollBack(await matchToPatch(service, session, { type, text: criteria }));
    return savePatched(service, session, { type, id: existing.id, ...conditions }, contentType, text);
  });
}

async function savePatched(
  service: Service,
  session: TenantSession,
  target: WriteTarget,
  contentType: string,
  text: string,
): Promise<WrittenResource> {
  const reference = referenceOf(target);
  const [found] = await lockSeen(service, session, [reference]);
  const current = orRollBack(thatIsThere(found, reference));
  const stale = versionRefusal(target, current);
  if (stale !== undefined) throw new RefusedWrite([stale]);
  const write = orRollBack(patchedWrite(service, current, contentType, text));
  return { stored: await commitOne(service, session, write, current), created: false };
}

/**
 * The write that a patch of this version makes, checked like any other write; storing it is for the caller, who holds
 * the lock. A result that is no valid resource is refused with 422: the request itself was well formed.
 */
export function patchedWrite(
  service: Service,
  current: StoredResource,
  contentType: string,
  text: string,
): Result<Write> {
  const { type, id } = current;
  const there = thatIsThere(current, referenceOf(current));
  if (!there.ok) return there;
  const patched = applyPatch(storedExact(current.body), contentType, text);
  if (!patched.ok) return patched;
  const after = readJson(JSON.stringify(patched.value));
  if (!after.ok) return after;
  const found = checkResource(service.definitions, after.value.value, type);
  if (found.length > 0) return refused(...found.map((one) => ({ ...one, status: 422 })));
  return accepted({ type, id, resource: after.value.value as Resource, exact: after.value.exact });
}
