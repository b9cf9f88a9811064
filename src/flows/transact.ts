import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import {
  readTransaction,
  type TransactionEntry,
  type TransactionOutcome,
  transactionResponseText,
  withResolvedReferences,
} from "../fhir/bundle.ts";
import { readJson } from "../fhir/json.ts";
import { checkResource, unknownType } from "../fhir/resource-check.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import { lockResources, type NewResource, readMany, type StoredResource } from "../store/resource.ts";
import { searchResources } from "../store/search.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import type { Service } from "./service.ts";
import { retryOnce, versionRefusal } from "./write-resource.ts";

/** An entry with the id it works on settled, and for a conditional create whether its resource exists already. */
interface Placed extends TransactionEntry {
  readonly existing?: StoredResource;
}

/** Thrown to roll a transaction back; only this file sees it. */
class Refusals extends Error {
  readonly refusals: readonly Refusal[];
  constructor(refusals: readonly Refusal[]) {
    super("transaction refused");
    this.refusals = refusals;
  }
}

/**
 * Carries out a transaction Bundle: all of it or nothing, in the order the specification sets
 * (https://hl7.org/fhir/R4/http.html#trules), in a fixed number of statements. Answers the response Bundle as text.
 */
export async function transact(
  service: Service,
  tenantId: number,
  text: string,
  baseUrl: string,
): Promise<Result<string>> {
  const json = readJson(text);
  if (!json.ok) return json;
  const read = readTransaction(json.value.value, json.value.exact);
  if (!read.ok) return read;
  const refusals = [...read.value.flatMap((entry) => checkEntry(service, entry)), ...sameTarget(read.value)];
  if (refusals.length > 0) return refused(...refusals);
  try {
    return await retryOnce(() =>
      inTenant(service.database, tenantId, async (session) => {
        const outcomes = await carryOut(service, session, read.value);
        return accepted(transactionResponseText(baseUrl, outcomes));
      }),
    );
  } catch (error) {
    if (error instanceof Refusals) return refused(...error.refusals);
    throw error;
  }
}

function checkEntry(service: Service, entry: TransactionEntry): Refusal[] {
  if (!service.definitions.has(entry.type)) return [{ ...unknownType(entry.type), at: `${entry.at}.request.url` }];
  if (entry.resource === undefined) return [];
  const found = checkResource(service.definitions, entry.resource, entry.type);
  const idDiffers = entry.method === "PUT" && entry.resource.id !== entry.id;
  const detail = "The id of the resource and that of the request's url differ. Send the same in both.";
  return [...found, ...(idDiffers ? [{ kind: "invalid" as const, detail, at: "id", status: 400 }] : [])].map((one) => ({
    ...one,
    at: `${entry.at}.resource${one.at === undefined ? "" : ` (${one.at})`}`,
  }));
}

function sameTarget(entries: readonly TransactionEntry[]): Refusal[] {
  const seen = new Set<string>();
  return entries.flatMap((entry) => {
    if (entry.id === "" || entry.method === "GET") return [];
    const target = `${entry.type}/${entry.id}`;
    if (!seen.has(target)) {
      seen.add(target);
      return [];
    }
    const detail = `${target} is written twice in one transaction. Write it once.`;
    return [{ kind: "duplicate" as const, detail, at: `${entry.at}.request.url`, status: 400 }];
  });
}

async function carryOut(
  service: Service,
  session: TenantSession,
  entries: readonly TransactionEntry[],
): Promise<TransactionOutcome[]> {
  const placed: Placed[] = [];
  for (const entry of entries) placed.push(await place(service, session, entry));
  const current = await lockTargets(session, placed);
  const stale = placed.flatMap((entry) => {
    const refusal = versionRefusal(entry, current.get(`${entry.type}/${entry.id}`));
    return refusal === undefined ? [] : [{ ...refusal, at: `${entry.at}.request.ifMatch` }];
  });
  if (stale.length > 0) throw new Refusals(stale);
  const resolved = new Map(
    placed.flatMap((entry) => (entry.fullUrl === undefined ? [] : [[entry.fullUrl, `${entry.type}/${entry.id}`]])),
  );
  const writes = placed.flatMap((entry) => writeOf(entry, current, resolved));
  const stored = await commitWrites(service, session, writes, current);
  const byReference = new Map(stored.map((one) => [`${one.type}/${one.id}`, one]));
  const gets = placed.filter((entry) => entry.method === "GET").map((entry) => `${entry.type}/${entry.id}`);
  const found = new Map((await readMany(session, gets)).map((one) => [`${one.type}/${one.id}`, one]));
  return placed.map((entry) => outcomeOf(entry, current, byReference, found));
}

/** Settles the id of each entry: a create gets a new one, unless its If-None-Exist finds exactly one resource. */
async function place(service: Service, session: TenantSession, entry: TransactionEntry): Promise<Placed> {
  if (entry.method !== "POST") return entry;
  if (entry.ifNoneExist === undefined) return { ...entry, id: service.newId() };
  const params = [...new URLSearchParams(entry.ifNoneExist)];
  const query = parseSearch(service.definitions, entry.type, params, {
    handling: "strict",
    defaultCount: 2,
    maxCount: 2,
    nowMs: service.now(),
  });
  const at = `${entry.at}.request.ifNoneExist`;
  if (!query.ok) throw new Refusals(query.refusals.map((one) => ({ ...one, at })));
  const { matches } = await searchResources(session, query.value);
  if (matches.length > 1) {
    const detail = "More than one resource answers this If-None-Exist. Ask for one.";
    throw new Refusals([{ kind: "multiple-matches", detail, at, status: 412 }]);
  }
  const [existing] = matches;
  return existing === undefined ? { ...entry, id: service.newId() } : { ...entry, id: existing.id, existing };
}

async function lockTargets(session: TenantSession, placed: readonly Placed[]): Promise<Map<string, StoredResource>> {
  const targets = placed.filter((entry) => entry.method === "PUT" || entry.method === "DELETE");
  const locked = await lockResources(
    session,
    targets.map((entry) => `${entry.type}/${entry.id}`),
  );
  return new Map(locked.map((one) => [`${one.type}/${one.id}`, one]));
}

function writeOf(
  entry: Placed,
  current: ReadonlyMap<string, StoredResource>,
  resolved: ReadonlyMap<string, string>,
): Write[] {
  const { type, id } = entry;
  if (entry.method === "GET" || entry.existing !== undefined) return [];
  if (entry.method === "DELETE") {
    const before = current.get(`${type}/${id}`);
    return before === undefined || before.deleted ? [] : [{ type, id }];
  }
  return [
    {
      type,
      id,
      resource: withResolvedReferences(entry.resource, resolved) as Resource,
      exact: withResolvedReferences(entry.exact, resolved),
    },
  ];
}

function outcomeOf(
  entry: Placed,
  current: ReadonlyMap<string, StoredResource>,
  stored: ReadonlyMap<string, NewResource>,
  found: ReadonlyMap<string, StoredResource>,
): TransactionOutcome {
  const reference = `${entry.type}/${entry.id}`;
  const versionOf = (one: StoredResource | undefined) =>
    one === undefined ? {} : { version: one.version, lastUpdatedMs: one.lastUpdatedMs };
  const target = { type: entry.type, id: entry.id };
  if (entry.method === "DELETE") return { status: "204 No Content", ...target, ...versionOf(stored.get(reference)) };
  if (entry.method === "GET") {
    const one = found.get(reference);
    return one === undefined
      ? { status: "404 Not Found" }
      : { status: "200 OK", ...target, ...versionOf(one), body: one.body };
  }
  if (entry.existing !== undefined) return { status: "200 OK", ...target, ...versionOf(entry.existing) };
  const before = current.get(reference);
  const created = entry.method === "POST" || before === undefined || before.deleted;
  return { status: created ? "201 Created" : "200 OK", ...target, ...versionOf(stored.get(reference)) };
}
