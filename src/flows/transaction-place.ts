import type { Refusal } from "../domain/result.ts";
import { restfulUrl } from "../fhir/resolved-references.ts";
import type { TransactionEntry } from "../fhir/transaction.ts";
import type { TenantSession } from "../store/database.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";
import { matchAll, matchOne, matchToPatch } from "./criteria.ts";
import type { Service } from "./service.ts";
import { orRollBackAt, RefusedWrite } from "./write-in-tenant.ts";
import { requireFree } from "./write-resource.ts";

/** An entry with the id it works on settled. */
export interface Placed extends TransactionEntry {
  /** What a conditional create found, so that nothing is created. */
  readonly existing?: StoredResource;
  /** Nothing is to be done: a conditional delete that found nothing. */
  readonly idle?: boolean;
}

/** Settles what each entry acts on: new ids for creates, what the criteria of conditional ones find. */
export async function placeEntries(
  service: Service,
  session: TenantSession,
  entries: readonly TransactionEntry[],
): Promise<Placed[]> {
  const twice = repeatedCriteria(entries);
  if (twice.length > 0) throw new RefusedWrite(twice);
  const deleted = new Set(entries.filter((one) => one.method === "DELETE").map(referenceOf));
  // Criteria are locked in one order everywhere, so that two transactions at once do not wait for each other.
  const inLockOrder = entries.toSorted((a, b) =>
    criteriaOf(a) < criteriaOf(b) ? -1 : Number(criteriaOf(a) > criteriaOf(b)),
  );
  const places = new Map<TransactionEntry, readonly Placed[]>();
  for (const entry of inLockOrder) places.set(entry, await place(service, session, entry, deleted));
  const placed = entries.flatMap((entry) => places.get(entry) ?? []);
  const overlapping = sameTarget(placed);
  if (overlapping.length > 0) throw new RefusedWrite(overlapping);
  return placed;
}

function criteriaOf({ type, ifNoneExist, criteria }: TransactionEntry): string {
  const text = ifNoneExist ?? criteria;
  return text === undefined ? "" : `${type}?${text}`;
}

async function place(
  service: Service,
  session: TenantSession,
  entry: TransactionEntry,
  deleted: ReadonlySet<string>,
): Promise<readonly Placed[]> {
  const { method, type } = entry;
  if (method === "GET" || method === "HEAD") return [entry];
  if (method === "POST" && entry.ifNoneExist === undefined) return [{ ...entry, id: service.newId() }];
  const text = method === "POST" ? entry.ifNoneExist : entry.criteria;
  if (text === undefined) return [entry];
  const at = `${entry.at}.request.${method === "POST" ? "ifNoneExist" : "url"}`;
  const criteria = { type, text };
  if (method === "DELETE") {
    const all = orRollBackAt(await matchAll(service, session, criteria), at);
    return all.length === 0 ? [{ ...entry, idle: true }] : all.map(({ id }) => ({ ...entry, id }));
  }
  if (method === "PATCH")
    return [{ ...entry, id: orRollBackAt(await matchToPatch(service, session, criteria), at).id }];
  const match = orRollBackAt(await matchOne(service, session, criteria), at);
  // Deletions come first: what this transaction deletes is not there for its creates.
  const found = match && !deleted.has(referenceOf(match)) ? match : undefined;
  if (method === "POST")
    return [found === undefined ? { ...entry, id: service.newId() } : { ...entry, id: found.id, existing: found }];
  const given = entry.resource?.id;
  if (found !== undefined && given !== undefined && given !== found.id) {
    const detail = `The criteria find ${type}/${found.id}, the resource says it is "${given}". Send the same id, or none.`;
    throw new RefusedWrite([{ kind: "invalid", detail, at: `${entry.at}.resource`, status: 400 }]);
  }
  if (found === undefined && given !== undefined) await requireFree(session, type, given);
  return [{ ...entry, id: found?.id ?? given ?? service.newId() }];
}

/** Two conditional entries with the same criteria would each act on what the other makes. */
function repeatedCriteria(entries: readonly TransactionEntry[]): Refusal[] {
  const seen = new Set<string>();
  return entries.flatMap((entry) => {
    const asked = entry.method === "GET" || entry.method === "HEAD" ? "" : criteriaOf(entry);
    if (asked === "") return [];
    if (!seen.has(asked)) {
      seen.add(asked);
      return [];
    }
    const detail = `${asked.slice(0, 128)} stands in two entries. Send one of them.`;
    return [{ kind: "duplicate" as const, detail, at: `${entry.at}.request`, status: 400 }];
  });
}

/** No two entries may write the same resource, nor carry the same fullUrl (https://hl7.org/fhir/R4/http.html#trules). */
function sameTarget(entries: readonly Placed[]): Refusal[] {
  const seen = new Set<string>();
  const once = (key: string, detail: string, at: string): Refusal[] => {
    if (seen.has(key)) return [{ kind: "duplicate", detail, at, status: 400 }];
    seen.add(key);
    return [];
  };
  return entries.flatMap((entry) => {
    if (entry.method === "GET" || entry.method === "HEAD" || entry.idle === true) return [];
    const target = referenceOf(entry);
    const { fullUrl } = entry;
    return [
      ...once(target, `${target} is written twice in one transaction. Write it once.`, `${entry.at}.request.url`),
      ...(fullUrl === undefined || entry.method === "DELETE"
        ? []
        : once(
            ` ${fullUrl}`,
            `Two entries have the fullUrl ${fullUrl.slice(0, 128)}. Give each its own.`,
            `${entry.at}.fullUrl`,
          )),
    ];
  });
}

/**
 * What links in the resource of an entry become: by fullUrl, by what lies beside its own fullUrl, or by criteria. Nothing
 * where none can become anything, so that resources need not be copied.
 */
export function linksOf(
  entries: readonly Placed[],
  conditional: ReadonlyMap<string, string>,
): (from: TransactionEntry) => ((link: string) => string | undefined) | undefined {
  const targets = new Map(
    // A search, and a deletion that found nothing, stand for no resource.
    entries.flatMap((entry) =>
      entry.fullUrl === undefined || entry.id === "" ? [] : [[entry.fullUrl, referenceOf(entry)]],
    ),
  );
  if (targets.size + conditional.size === 0) return () => undefined;
  return (from) => {
    const beside = from.fullUrl === undefined ? undefined : restfulUrl(from.fullUrl)?.base;
    return (link) =>
      targets.get(link) ??
      conditional.get(link) ??
      (beside === undefined || !/^[A-Z][A-Za-z]+\/[^/?]+$/.test(link) ? undefined : targets.get(`${beside}/${link}`));
  };
}
