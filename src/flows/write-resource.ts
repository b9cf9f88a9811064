import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { readJson } from "../fhir/json.ts";
import { checkResource } from "../fhir/resource-check.ts";
import { inTenant } from "../store/database.ts";
import { ConcurrentWrite, lockResources, type NewResource, type StoredResource } from "../store/resource.ts";
import { commitWrites } from "./commit-writes.ts";
import type { Service } from "./service.ts";

/** A resource as it is stored now, and whether this write made it. */
export interface WrittenResource {
  readonly stored: StoredResource;
  readonly created: boolean;
}

/** Creates a resource from JSON text under an id of our own choosing. */
export async function createResource(
  service: Service,
  tenantId: number,
  type: string,
  text: string,
): Promise<Result<WrittenResource>> {
  const read = readChecked(service, type, text);
  if (!read.ok) return read;
  const stored = await inTenant(service.database, tenantId, (session) =>
    commitWrites(service, session, [{ type, id: service.newId(), ...read.value }], new Map()),
  );
  return accepted({ stored: only(stored), created: true });
}

/**
 * Stores JSON text as the next version of `type/id`, which may be its first.
 * `ifVersion` (from If-Match) refuses with 412 when another version is current.
 */
export async function updateResource(
  service: Service,
  tenantId: number,
  target: { type: string; id: string; ifVersion?: number },
  text: string,
): Promise<Result<WrittenResource>> {
  const { type, id } = target;
  const read = readChecked(service, type, text);
  if (!read.ok) return read;
  if (read.value.resource.id !== id) {
    return refused({
      kind: "invalid",
      detail: `The id in the body is "${read.value.resource.id ?? ""}", the address says "${id}". Send the same id in both.`,
      at: `${type}.id`,
      status: 400,
    });
  }
  return retryOnce(() =>
    inTenant(service.database, tenantId, async (session): Promise<Result<WrittenResource>> => {
      const current = (await lockResources(session, [`${type}/${id}`]))[0];
      const stale = versionRefusal(target, current);
      if (stale !== undefined) return refused(stale);
      const known = new Map(current === undefined ? [] : [[`${type}/${id}`, current]]);
      const stored = await commitWrites(service, session, [{ type, id, ...read.value }], known);
      return accepted({ stored: only(stored), created: current === undefined || current.deleted });
    }),
  );
}

/** Deletes `type/id`: later reads answer 410, its history stays. Deleting what is not there is no error. */
export async function deleteResource(
  service: Service,
  tenantId: number,
  target: { type: string; id: string; ifVersion?: number },
): Promise<Result<{ readonly version: number | undefined }>> {
  const { type, id } = target;
  return inTenant(service.database, tenantId, async (session): Promise<Result<{ version: number | undefined }>> => {
    const current = (await lockResources(session, [`${type}/${id}`]))[0];
    const stale = versionRefusal(target, current);
    if (stale !== undefined) return refused(stale);
    if (current === undefined || current.deleted) return accepted({ version: current?.version });
    const stored = await commitWrites(service, session, [{ type, id }], new Map([[`${type}/${id}`, current]]));
    return accepted({ version: only(stored).version });
  });
}

/** Refuses when If-Match names another version than the current one. */
export function versionRefusal(
  target: { type: string; id: string; ifVersion?: number },
  current: StoredResource | undefined,
): Refusal | undefined {
  if (target.ifVersion === undefined || current?.version === target.ifVersion) return undefined;
  return {
    kind: "conflict",
    detail: `${target.type}/${target.id} is at version ${current?.version ?? "none"}, not ${target.ifVersion}. Read it again, apply your change to that version and send it with its ETag.`,
    status: 412,
  };
}

function readChecked(service: Service, type: string, text: string): Result<{ resource: Resource; exact: unknown }> {
  const json = readJson(text);
  if (!json.ok) return json;
  const refusals = checkResource(service.definitions, json.value.value, type);
  if (refusals.length > 0) return refused(...refusals);
  return accepted({ resource: json.value.value as Resource, exact: json.value.exact });
}

/** Two writers may both find nothing and both make version 1; the loser looks again and becomes version 2. */
export async function retryOnce<T>(work: () => Promise<T>): Promise<T> {
  try {
    return await work();
  } catch (error) {
    if (error instanceof ConcurrentWrite) return work();
    throw error;
  }
}

function only(stored: readonly NewResource[]): NewResource {
  const [first] = stored;
  if (first === undefined) throw new Error("a write stored nothing");
  return first;
}
