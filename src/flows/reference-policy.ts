import type { Resource } from "@medplum/fhirtypes";
import type { Refusal } from "../domain/result.ts";
import { conditionalTarget, eachReference, localTarget, referencesIn } from "../fhir/references.ts";
import { referralTerm } from "../fhir/search/reference.ts";
import { type TenantSession, withholdingOf, withTheirEyes } from "../store/database.ts";
import { presentAndHeld, referrersTo } from "../store/references.ts";
import type { StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** What the policy needs to know of a write. */
interface Written {
  readonly type: string;
  readonly id: string;
  /** Absent for a deletion. */
  readonly resource?: Resource;
}

/** The most referrers that a refused deletion names. */
const mostNamed = 5;

/**
 * Refuses references to what is not here: local ones must exist when the transaction commits. `alsoWritten` are
 * `Type/id` that the transaction writes besides these, `current` the versions before. What exists is held until then, so nobody
 * deletes it meanwhile. To a writer from whom something is withheld it is not here, unless the version before pointed to it.
 */
export async function refuseDangling(
  service: Service,
  session: TenantSession,
  writes: readonly Written[],
  alsoWritten: ReadonlySet<string>,
  current: ReadonlyMap<string, StoredResource> = new Map(),
): Promise<Refusal[]> {
  const asked = new Set<string>();
  for (const { resource } of writes) if (resource !== undefined) eachReference(resource, (one) => asked.add(one));
  if (asked.size === 0) return [];
  const written = new Set([
    ...writes.flatMap(({ type, id, resource }) => (resource === undefined ? [] : [`${type}/${id}`])),
    ...alsoWritten,
  ]);
  const links = [...asked];
  const here = new Set(links.flatMap((one) => targetOf(service, one) ?? []).filter((target) => !written.has(target)));
  const isPlain = links.every((one) => conditionalTarget(one) === undefined);
  const present =
    isPlain && service.referencePolicy !== "accept" ? await presentOf(service, session, [...here], current) : new Set();
  // Where they stand is only asked when one of them leads nowhere.
  if (isPlain && (service.referencePolicy === "accept" || present.size === here.size)) return [];
  const found = writes.flatMap(({ resource }) => (resource === undefined ? [] : referencesIn(resource)));
  const conditional = found.filter(({ reference }) => conditionalTarget(reference) !== undefined);
  if (conditional.length > 0) return conditional.map(({ at }) => unresolved(at));
  const targets = found.flatMap(({ reference, at }) => {
    const target = targetOf(service, reference);
    return target === undefined ? [] : [{ target, at }];
  });
  return targets
    .filter(({ target }) => !written.has(target) && !present.has(target))
    .map(({ target, at }) => ({
      kind: "not-found",
      detail: `There is no ${target} here. Send it first, or together with this in one transaction.`,
      at,
      status: 422,
    }));
}

/** `Type/id` of a reference to something on this service. */
function targetOf(service: Service, reference: string): string | undefined {
  const target = localTarget(service.definitions.local(reference));
  return target === undefined ? undefined : `${target.type}/${target.id}`;
}

async function presentOf(
  service: Service,
  session: TenantSession,
  asked: readonly string[],
  current: ReadonlyMap<string, StoredResource>,
): Promise<ReadonlySet<string>> {
  const { database } = service;
  const seen = await withTheirEyes(database, session, () => presentAndHeld(session, asked));
  if (withholdingOf(database.confinement) === undefined || seen.size === asked.length) return seen;
  const before = new Set(
    [...current.values()]
      .flatMap((one) => referencesIn(JSON.parse(one.body) as Resource))
      .flatMap(({ reference }) => targetOf(service, reference) ?? []),
  );
  const known = asked.filter((target) => before.has(target) && !seen.has(target));
  return new Set([...seen, ...(await presentAndHeld(session, known))]);
}

function unresolved(at: string): Refusal {
  const detail = "A conditional reference (Type?criteria) is resolved in a transaction Bundle only. Name Type/id here.";
  return { kind: "invalid", detail, at, status: 400 };
}

/** Refuses the deletion of what others still point to, naming some of them (https://hl7.org/fhir/R4/http.html#delete). */
export async function refuseStillReferred(
  service: Service,
  session: TenantSession,
  writes: readonly Written[],
): Promise<Refusal[]> {
  const deleted = writes.filter(({ resource }) => resource === undefined).map(({ type, id }) => `${type}/${id}`);
  if (service.referencePolicy === "accept" || deleted.length === 0) return [];
  const referrers = await referrersTo(session, deleted.map(referralTerm), deleted, mostNamed + 1);
  if (referrers.length === 0) return [];
  // What is withheld from the writer keeps it from deleting, and is not named.
  const seen = await withTheirEyes(service.database, session, () =>
    referrersTo(session, deleted.map(referralTerm), deleted, mostNamed),
  );
  const named = seen.length === 0 ? "Other resources" : seen.join(", ");
  const more = seen.length > 0 && referrers.length > seen.length ? " and others" : "";
  const what = deleted.length === 1 ? deleted[0] : "what is deleted";
  const detail = `${named}${more} still point to ${what}. Change or delete them first, or all together in one transaction.`;
  return [{ kind: "conflict", detail, status: 409 }];
}
