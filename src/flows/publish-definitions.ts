import type { Device, Resource } from "@medplum/fhirtypes";
import { type Stamp, stampedJson } from "../fhir/json.ts";
import { type Conformance, conformanceResources } from "../fhir/profiles/conformance.ts";
import { serviceDevice } from "../fhir/service-device.ts";
import type { TenantSession } from "../store/database.ts";
import { lockResources, type StoredResource } from "../store/resource.ts";
import { listTenants } from "../store/tenant.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import type { Service } from "./service.ts";
import { writeInTenant } from "./write-in-tenant.ts";

/** What of ours is stored: a definition, or the Device that stands for this service as the author of its own work. */
type Published = Conformance | (Device & { id: string });

/**
 * Stores this service's own profiles, code systems, value sets, search parameters and operations with every tenant, so
 * that they are read, searched and versioned like any resource; and the Device that its Provenance names. One that stands there already as it is now is left
 * alone, so doing it again writes nothing; one that a client deleted or changed comes back as a later version. A client's
 * resource of another url (a Device: another identifier) under the same id is never touched. Answers how many versions were written. On two slow
 * cores: a second for the snapshots, once per process; then 0.25 s for a new tenant, 20 ms for one that has them all.
 */
export async function publishDefinitions(service: Service): Promise<number> {
  const wanted = [...conformanceResources(), serviceDevice()].filter((one) =>
    service.definitions.has(one.resourceType),
  );
  let written = 0;
  for (const { tenantId } of await listTenants(service.database)) {
    const answer = await writeInTenant(service, tenantId, (session) => publishTo(service, session, wanted));
    // Nothing of ours points to a resource, so there is nothing to refuse.
    if (!answer.ok) throw new Error(answer.refusals.map((one) => one.detail).join(" "));
    written += answer.value;
  }
  return written;
}

async function publishTo(service: Service, session: TenantSession, wanted: readonly Published[]): Promise<number> {
  const stored = await lockResources(session, wanted.map(referenceOf));
  const current = new Map(stored.map((one) => [`${one.type}/${one.id}`, one]));
  const writes = wanted.flatMap((one) => writeOf(service, one, current.get(referenceOf(one))) ?? []);
  await commitWrites(service, session, writes, current, { ownWork: true });
  return writes.length;
}

function referenceOf(resource: { resourceType: string; id: string }): string {
  return `${resource.resourceType}/${resource.id}`;
}

/** The write that brings the stored version up to ours, or undefined when none is due. */
function writeOf(service: Service, wanted: Published, stored: StoredResource | undefined): Write | undefined {
  const target = { type: wanted.resourceType, id: wanted.id };
  if (stored === undefined || stored.deleted) return { ...target, resource: wanted as Resource };
  // The common case, without parsing some 400 KB.
  if (stampedJson(wanted, stampOf(stored)) === stored.body) return undefined;
  const { meta, ...body } = JSON.parse(stored.body) as Published;
  if (nameOf(body) !== nameOf(wanted)) {
    service.log.warn(
      { reference: referenceOf(wanted) },
      "a resource of another url or identifier stands where one of ours belongs",
    );
    return undefined;
  }
  if (sorted(body) === sorted(wanted)) return undefined;
  // Tags and labels that a client put on it are the client's, not part of the definition.
  return { ...target, resource: { ...wanted, ...(meta === undefined ? {} : { meta }) } as Resource };
}

/** What makes it ours, whatever its id. */
function nameOf(resource: Pick<Device, "identifier"> | { url?: string }): string | undefined {
  if ("url" in resource) return resource.url;
  const [first] = ("identifier" in resource ? resource.identifier : undefined) ?? [];
  return first && `${first.system ?? ""}|${first.value ?? ""}`;
}

function stampOf(stored: StoredResource): Stamp {
  const { id, version, lastUpdatedMs } = stored;
  return { id, versionId: String(version), lastUpdated: new Date(lastUpdatedMs).toISOString() };
}

/** JSON text that is equal for resources that differ in nothing but the order of their members. */
function sorted(value: unknown): string {
  return JSON.stringify(value, (_key, member: unknown) =>
    typeof member === "object" && member !== null && !Array.isArray(member)
      ? Object.fromEntries(Object.entries(member).sort(([a], [b]) => (a < b ? -1 : 1)))
      : member,
  );
}
