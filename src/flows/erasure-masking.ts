import type { Resource } from "@medplum/fhirtypes";
import { type Erased, unversioned, withoutReferences } from "../fhir/erasure.ts";
import { storedExact } from "../fhir/json.ts";
import { referralTerm } from "../fhir/search/reference.ts";
import type { TenantSession } from "../store/database.ts";
import { erasing, mentionsOf, rewriteVersion, stayingReferrers, stayingVersions } from "../store/erasure.ts";
import { lockResources, referenceOf, type StoredResource } from "../store/resource.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import type { Person } from "./erasure-scope.ts";
import type { Service } from "./service.ts";

/** What of others' records was masked. */
export interface Masked {
  /** `Type/id` of those that have a next version now. */
  readonly references: readonly string[];
  /** How many replaced versions were written anew in their place. */
  readonly versions: number;
}

/**
 * Takes references to what goes out of what stays. A version in force becomes a next one, so that whoever follows changes
 * learns of it; replaced versions are written anew in their place, because a history that still says it would not be erased.
 */
export async function maskReferences(service: Service, session: TenantSession, person: Person): Promise<Masked> {
  const list = await erasing(session);
  const words = [`Patient/${person.patientId}`, ...person.traits.identifiers];
  const erased: Erased = {
    has(reference) {
      const target = unversioned(service.definitions.local(reference));
      return target === `Patient/${person.patientId}` || (target !== undefined && list.has(target));
    },
    identifiers: new Set(person.traits.identifiers),
  };
  const mentions = await mentionsOf(session, words);
  const inForce = new Set([
    ...(await stayingReferrers(session, [...list].map(referralTerm))),
    ...mentions.filter(({ current, deleted }) => current && !deleted).map(referenceOf),
  ]);
  const references = await maskInForce(service, session, [...inForce].sort(), erased);
  // Now that the versions in force were replaced, what they said stands among the old ones.
  return { references, versions: await maskReplaced(session, words, erased) };
}

async function maskReplaced(session: TenantSession, words: readonly string[], erased: Erased): Promise<number> {
  let versions = 0;
  for await (const batch of stayingVersions(session)) {
    for (const version of batch) {
      if (!mayPoint(version.body, words, erased)) continue;
      const rest = withoutReferences(storedExact(version.body), erased);
      if (rest === undefined) continue;
      await rewriteVersion(session, { ...version, body: JSON.stringify(rest) });
      versions += 1;
    }
  }
  return versions;
}

/** A quick look before the text is parsed: whether anything in it reads like what goes. */
function mayPoint(body: string, words: readonly string[], erased: Erased): boolean {
  if (words.some((word) => body.includes(word))) return true;
  for (const [, reference] of body.matchAll(/"reference":"([^"]+)"/g)) {
    if (erased.has(reference ?? "")) return true;
  }
  return false;
}

async function maskInForce(
  service: Service,
  session: TenantSession,
  references: readonly string[],
  erased: Erased,
): Promise<string[]> {
  const locked = await lockResources(session, references);
  const current = new Map(locked.map((one) => [referenceOf(one), one]));
  const writes = locked.flatMap((stored) => maskedWrite(stored, erased) ?? []);
  await commitWrites(service, session, writes, current, { ownWork: true });
  return writes.map(referenceOf);
}

function maskedWrite(stored: StoredResource, erased: Erased): Write | undefined {
  // References inside a Bundle lead to its entries; one that names the person is for a person to settle.
  if (stored.deleted || stored.type === "Bundle") return undefined;
  const exact = withoutReferences(storedExact(stored.body), erased);
  if (exact === undefined) return undefined;
  const resource = withoutReferences(JSON.parse(stored.body), erased) as Resource;
  return { type: stored.type, id: stored.id, resource, exact };
}
