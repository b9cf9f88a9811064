import type { Resource } from "@medplum/fhirtypes";
import { type Refusal, type Result, refused } from "../domain/result.ts";
import { bundleResponseText } from "../fhir/bundle.ts";
import { conditionalTarget, eachReference } from "../fhir/references.ts";
import { withResolvedReferences } from "../fhir/resolved-references.ts";
import { checkResource, unknownType } from "../fhir/resource-check.ts";
import { readEntries, type TransactionEntry } from "../fhir/transaction.ts";
import type { TenantSession } from "../store/database.ts";
import { type NewResource, referenceOf, type StoredResource } from "../store/resource.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import { matchOne } from "./criteria.ts";
import { patchedWrite } from "./patch-resource.ts";
import { thatIsThere } from "./read-resource.ts";
import { lockSeen, refuseWithheld } from "./seen-by-writer.ts";
import type { Service } from "./service.ts";
import { type AnswerOptions, answerEntries } from "./transaction-answer.ts";
import { linksOf, type Placed, placeEntries } from "./transaction-place.ts";
import { orRollBackAt, RefusedWrite, writeInTenant } from "./write-in-tenant.ts";
import { versionRefusal } from "./write-resource.ts";

/**
 * Carries out a transaction Bundle: all of it or nothing, in the order the specification sets
 * (https://hl7.org/fhir/R4/http.html#trules), in a number of statements that only conditional entries add to. Answers the
 * response Bundle as text.
 */
export async function transact(
  service: Service,
  tenantId: number,
  bundle: { readonly value: unknown; readonly exact: unknown },
  options: AnswerOptions,
): Promise<Result<string>> {
  const read = readEntries(bundle.value, bundle.exact, service.limits.maxBundleEntries);
  if (!read.ok) return read;
  const refusals = read.value.flatMap((entry) => checkEntry(service, entry));
  if (refusals.length > 0) return refused(...refusals);
  return writeInTenant(service, tenantId, async (session) => {
    const placed = await placeEntries(service, session, read.value);
    const current = await lockTargets(service, session, placed);
    const stored = await writeAll(service, session, placed, current);
    const outcomes = await answerEntries(service, session, read.value, { placed, current, stored }, options);
    return bundleResponseText("transaction-response", outcomes);
  });
}

function checkEntry(service: Service, entry: TransactionEntry): Refusal[] {
  if (!service.definitions.has(entry.type)) return [{ ...unknownType(entry.type), at: `${entry.at}.request.url` }];
  if (entry.resource === undefined) return [];
  const found = checkResource(service.definitions, entry.resource, entry.type);
  const idDiffers = entry.method === "PUT" && entry.id !== "" && entry.resource.id !== entry.id;
  const detail = "The id of the resource and that of the request's url differ. Send the same in both.";
  return [...found, ...(idDiffers ? [{ kind: "invalid" as const, detail, at: "id", status: 400 }] : [])].map((one) => ({
    ...one,
    at: `${entry.at}.resource${one.at === undefined ? "" : ` (${one.at})`}`,
  }));
}

async function lockTargets(
  service: Service,
  session: TenantSession,
  placed: readonly Placed[],
): Promise<Map<string, StoredResource>> {
  const targets = placed.filter(({ method, idle }) => ["PUT", "PATCH", "DELETE"].includes(method) && idle !== true);
  const locked = await lockSeen(service, session, targets.map(referenceOf));
  await refuseWithheld(service, session, targets.filter(({ method }) => method === "PUT").map(referenceOf), locked);
  const current = new Map(locked.map((one) => [referenceOf(one), one]));
  const stale = targets.flatMap((entry) => {
    const refusal = versionRefusal(entry, current.get(referenceOf(entry)));
    const at = `${entry.at}.request.${entry.ifVersion === undefined ? "ifNoneMatch" : "ifMatch"}`;
    return refusal === undefined ? [] : [{ ...refusal, at }];
  });
  if (stale.length > 0) throw new RefusedWrite(stale);
  return current;
}

/**
 * Writes what points to nothing by criteria first, so that a conditional reference finds what the same transaction
 * creates; then the rest.
 */
async function writeAll(
  service: Service,
  session: TenantSession,
  placed: readonly Placed[],
  current: ReadonlyMap<string, StoredResource>,
): Promise<Map<string, NewResource>> {
  const deletions = placed.filter(
    (entry) => entry.method === "DELETE" && entry.idle !== true && isThere(entry, current),
  );
  const written = placed.filter(
    (entry) => ["POST", "PUT", "PATCH"].includes(entry.method) && entry.existing === undefined,
  );
  const waiting = written.filter((entry) => conditionalOf(entry).length > 0);
  const plain = written.filter((entry) => !waiting.includes(entry));
  const all = new Set(written.map(referenceOf));
  const first = writesOf(service, plain, current, linksOf(placed, new Map()));
  const plainWrites: Write[] = [...deletions.map(({ type, id }) => ({ type, id })), ...first];
  const moreToCome = waiting.length > 0;
  const stored = await commitWrites(service, session, plainWrites, current, { alsoWritten: all, moreToCome });
  if (moreToCome) {
    const conditional = await resolveConditional(service, session, waiting);
    const second = writesOf(service, waiting, current, linksOf(placed, conditional));
    const before = plainWrites;
    stored.push(...(await commitWrites(service, session, second, current, { alsoWritten: all, before })));
  }
  return new Map(stored.map((one) => [referenceOf(one), one]));
}

function isThere(entry: Placed, current: ReadonlyMap<string, StoredResource>): boolean {
  return current.get(referenceOf(entry))?.deleted === false;
}

function conditionalOf({ resource }: Placed): readonly string[] {
  const found: string[] = [];
  if (resource !== undefined) {
    eachReference(resource, (reference) => {
      if (conditionalTarget(reference) !== undefined) found.push(reference);
    });
  }
  return found;
}

async function resolveConditional(
  service: Service,
  session: TenantSession,
  entries: readonly Placed[],
): Promise<Map<string, string>> {
  const found = new Map<string, string>();
  for (const entry of entries) {
    for (const reference of conditionalOf(entry)) {
      const target = conditionalTarget(reference);
      if (target === undefined || found.has(reference)) continue;
      const at = `${entry.at}.resource`;
      if (!service.definitions.has(target.type)) throw new RefusedWrite([{ ...unknownType(target.type), at }]);
      const match = orRollBackAt(await matchOne(service, session, target), at);
      if (match === undefined) {
        const detail = `Nothing answers the conditional reference ${reference.slice(0, 128)}.`;
        throw new RefusedWrite([{ kind: "not-found", detail, at, status: 412 }]);
      }
      found.set(reference, referenceOf(match));
    }
  }
  return found;
}

function writesOf(
  service: Service,
  entries: readonly Placed[],
  current: ReadonlyMap<string, StoredResource>,
  links: ReturnType<typeof linksOf>,
): Write[] {
  return entries.map((entry) => {
    const { type, id } = entry;
    const body = entry.patch === undefined ? entry : patched(service, entry, entry.patch, current);
    const target = links(entry);
    if (target === undefined) return { type, id, resource: body.resource as Resource, exact: body.exact };
    let isLinked = false;
    const resolve = (link: string) => {
      const found = target(link);
      isLinked ||= found !== undefined;
      return found;
    };
    const resource = withResolvedReferences(body.resource, resolve) as Resource;
    if (!isLinked) return { type, id, resource, exact: body.exact };
    // What a link leads to is known only now, so whether it may lead there is as well.
    const found = checkResource(service.definitions, resource);
    if (found.length > 0)
      throw new RefusedWrite(found.map((one) => ({ ...one, at: `${entry.at}.resource (${one.at ?? type})` })));
    return { type, id, resource, exact: withResolvedReferences(body.exact, resolve) };
  });
}

function patched(
  service: Service,
  entry: Placed,
  patch: NonNullable<Placed["patch"]>,
  current: ReadonlyMap<string, StoredResource>,
): Write {
  const reference = referenceOf(entry);
  const before = orRollBackAt(thatIsThere(current.get(reference), reference), `${entry.at}.request.url`);
  return orRollBackAt(patchedWrite(service, before, patch.contentType, patch.text), `${entry.at}.resource`);
}
