import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { readJson } from "../fhir/json.ts";
import { checkResource } from "../fhir/resource-check.ts";
import type { TenantSession } from "../store/database.ts";
import { lockResources, referenceOf, type StoredResource } from "../store/resource.ts";
import { commitOne, type Write } from "./commit-writes.ts";
import { createTogether } from "./create-together.ts";
import { matchOne } from "./criteria.ts";
import { lockSeen, refuseWithheld } from "./seen-by-writer.ts";
import type { Service } from "./service.ts";
import { orRollBack, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";

/** A resource as it is stored now, and whether this write made it. */
export interface WrittenResource {
  readonly stored: StoredResource;
  readonly created: boolean;
}

/** What a write acts on, and under which conditions of its header fields. */
export interface WriteTarget {
  readonly type: string;
  readonly id: string;
  /** If-Match: refused with 412 when another version is current. */
  readonly ifVersion?: number;
  /** If-None-Match: *, refused with 412 when there is one already. */
  readonly ifAbsent?: boolean;
}

/**
 * Creates a resource from JSON text under an id of our own choosing; with `ifNoneExist`, only where nothing answers these
 * criteria, and what does is the answer (https://hl7.org/fhir/R4/http.html#ccreate).
 */
export async function createResource(
  service: Service,
  tenantId: number,
  type: string,
  text: string,
  ifNoneExist?: string,
): Promise<Result<WrittenResource>> {
  const read = readChecked(service, type, text);
  if (!read.ok) return read;
  if (ifNoneExist === undefined) {
    const stored = await createTogether(service, tenantId, { type, id: service.newId(), ...read.value });
    return stored.ok ? accepted({ stored: stored.value, created: true }) : stored;
  }
  return writeInTenant(service, tenantId, async (session) => {
    const existing = orRollBack(await matchOne(service, session, { type, text: ifNoneExist }));
    if (existing !== undefined) return { stored: existing, created: false };
    const stored = await commitOne(service, session, { type, id: service.newId(), ...read.value }, undefined);
    return { stored, created: true };
  });
}

/** Stores JSON text as the next version of `type/id`, which may be its first. */
export async function updateResource(
  service: Service,
  tenantId: number,
  target: WriteTarget,
  text: string,
): Promise<Result<WrittenResource>> {
  const { type, id } = target;
  const read = readChecked(service, type, text);
  if (!read.ok) return read;
  const differs = idRefusal(type, read.value.resource.id, id);
  if (differs !== undefined) return refused(differs);
  return writeInTenant(service, tenantId, (session) => saveVersion(service, session, target, read.value));
}

/**
 * Updates the one resource that answers the criteria, or creates one where none does
 * (https://hl7.org/fhir/R4/http.html#cond-update).
 */
export async function updateWhere(
  service: Service,
  tenantId: number,
  target: Omit<WriteTarget, "id"> & { readonly criteria: string },
  text: string,
): Promise<Result<WrittenResource>> {
  const { type, criteria, ...conditions } = target;
  const read = readChecked(service, type, text);
  if (!read.ok) return read;
  return writeInTenant(service, tenantId, async (session) => {
    const existing = orRollBack(await matchOne(service, session, { type, text: criteria }));
    const given = read.value.resource.id;
    if (existing !== undefined && given !== undefined) {
      const differs = idRefusal(type, given, existing.id);
      if (differs !== undefined) throw new RefusedWrite([differs]);
    }
    if (existing === undefined && given !== undefined) await requireFree(session, type, given);
    const id = existing?.id ?? given ?? service.newId();
    return saveVersion(service, session, { type, id, ...conditions }, read.value);
  });
}

async function saveVersion(
  service: Service,
  session: TenantSession,
  target: WriteTarget,
  read: Pick<Write, "resource" | "exact">,
): Promise<WrittenResource> {
  const { type, id } = target;
  const seen = await lockSeen(service, session, [referenceOf(target)]);
  await refuseWithheld(service, session, [referenceOf(target)], seen);
  const [current] = seen;
  const stale = versionRefusal(target, current);
  if (stale !== undefined) throw new RefusedWrite([stale]);
  const stored = await commitOne(service, session, { type, id, ...read }, current);
  return { stored, created: current === undefined || current.deleted };
}

/**
 * Refuses an id that the criteria did not find and that is taken: it belongs to something else, which must not be
 * overwritten. R4 leaves this open, R5 asks for 409 (https://hl7.org/fhir/R5/http.html#cond-update).
 */
export async function requireFree(session: TenantSession, type: string, id: string): Promise<void> {
  const [taken] = await lockResources(session, [`${type}/${id}`]);
  if (taken === undefined || taken.deleted) return;
  const detail = `The criteria find nothing, and ${type}/${id} is something else. Send no id, or one that is free.`;
  throw new RefusedWrite([{ kind: "conflict", detail, status: 409 }]);
}

/** Refuses when If-Match names another version than the current one, or If-None-Match: * meets one. */
export function versionRefusal(
  target: { type: string; id: string; ifVersion?: number; ifAbsent?: boolean },
  current: StoredResource | undefined,
): Refusal | undefined {
  const reference = referenceOf(target);
  if (target.ifAbsent === true && current !== undefined && !current.deleted) {
    const detail = `${reference} is there already, at version ${current.version}, and If-None-Match: * asks for none.`;
    return { kind: "conflict", detail, status: 412 };
  }
  if (target.ifVersion === undefined || current?.version === target.ifVersion) return undefined;
  const detail = `${reference} is at version ${current?.version ?? "none"}, not ${target.ifVersion}. Read it again, apply your change to that version and send it with its ETag.`;
  return { kind: "conflict", detail, status: 412 };
}

/** Refuses a body that names another id than the one written to. */
export function idRefusal(type: string, given: string | undefined, id: string): Refusal | undefined {
  if (given === id) return undefined;
  const detail = `The id in the body is "${given ?? ""}", the address says "${id}". Send the same id in both.`;
  return { kind: "invalid", detail, at: `${type}.id`, status: 400 };
}

function readChecked(service: Service, type: string, text: string): Result<{ resource: Resource; exact: unknown }> {
  const json = readJson(text);
  if (!json.ok) return json;
  const refusals = checkResource(service.definitions, json.value.value, type);
  if (refusals.length > 0) return refused(...refusals);
  return accepted({ resource: json.value.value as Resource, exact: json.value.exact });
}
