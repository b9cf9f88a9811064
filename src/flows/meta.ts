import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../domain/result.ts";
import { readJson, storedExact } from "../fhir/json.ts";
import { metaParameter, withMetaAdded, withMetaRemoved } from "../fhir/meta.ts";
import { checkResource } from "../fhir/resource-check.ts";
import { presenceTerm } from "../fhir/search/extract.ts";
import { readInTenant } from "../store/database.ts";
import { labelsInUse } from "../store/meta.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";
import { commitOne } from "./commit-writes.ts";
import { thatIsThere } from "./read-resource.ts";
import { lockSeen } from "./seen-by-writer.ts";
import type { Service } from "./service.ts";
import { orRollBack, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";
import { versionRefusal } from "./write-resource.ts";

/** Most profiles, labels and tags that one answer lists. */
const mostLabels = 1_000;

/** What `$meta` answers for a type or for everything here. */
interface MetaInUse {
  profile?: unknown[];
  security?: unknown[];
  tag?: unknown[];
}

/** All profiles, security labels and tags in use in a type, or here (https://hl7.org/fhir/R4/resource-operation-meta.html). */
export async function metaInUse(service: Service, tenantId: number, type?: string): Promise<Result<MetaInUse>> {
  const types = type === undefined ? service.definitions.types : [type];
  const terms = types.flatMap((one) =>
    ["_profile", "_security", "_tag"].flatMap((code) =>
      (service.definitions.parameters(one).get(code)?.atoms ?? []).map(presenceTerm),
    ),
  );
  const found = await readInTenant(service.database, tenantId, (session) =>
    labelsInUse(session, types, terms, mostLabels),
  );
  if (found.length > mostLabels) {
    const detail = `More than ${mostLabels} profiles, security labels and tags are in use. ${type === undefined ? "Ask type by type." : "Read them from the resources."}`;
    return refused({ kind: "too-costly", detail, status: 422 });
  }
  const meta: MetaInUse = {};
  for (const { list, text } of found) {
    const entries = meta[list] ?? [];
    entries.push(JSON.parse(text));
    meta[list] = entries;
  }
  return accepted(meta);
}

/** The meta of a stored version, numbers in its extensions as they were written. */
export function metaOf(stored: Pick<StoredResource, "body">): unknown {
  return (storedExact(stored.body) as { meta?: unknown }).meta;
}

/** Which resource a meta operation changes, and how. */
export interface MetaTarget {
  readonly type: string;
  readonly id: string;
  readonly ifVersion?: number;
  readonly change: "add" | "delete";
}

/**
 * Adds to or deletes from the profiles, security labels and tags of a resource, as the Parameters in `text` say, and
 * answers the version that now carries them. R4 lets a server do this with or without a new version
 * (https://hl7.org/fhir/R4/resource.html#Meta). Here it makes one – so what stood under an ETag never changes, and the
 * history tells when a label came or went – unless nothing changed.
 */
export async function changeMeta(
  service: Service,
  tenantId: number,
  target: MetaTarget,
  text: string,
): Promise<Result<StoredResource>> {
  const json = readJson(text);
  if (!json.ok) return json;
  const given = metaParameter(json.value.exact);
  if (!given.ok) return given;
  const { type, id } = target;
  return writeInTenant(service, tenantId, async (session): Promise<StoredResource> => {
    const [found] = await lockSeen(service, session, [referenceOf(target)]);
    const current = orRollBack(thatIsThere(found, referenceOf(target)));
    const stale = versionRefusal(target, current);
    if (stale !== undefined) throw new RefusedWrite([stale]);
    const exact = storedExact(current.body);
    const changed = target.change === "add" ? withMetaAdded(exact, given.value) : withMetaRemoved(exact, given.value);
    if (changed === exact) return current;
    const resource = JSON.parse(JSON.stringify(changed)) as Resource;
    const refusals = checkResource(service.definitions, resource, type);
    if (refusals.length > 0) throw new RefusedWrite(refusals);
    // What it points to is as it was, and was judged when it came.
    const options = { ownWork: true };
    const write = { type, id, resource, exact: changed };
    return commitOne(service, session, write, current, options);
  });
}
