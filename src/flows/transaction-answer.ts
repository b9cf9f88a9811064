import type { BundleOutcome } from "../fhir/bundle.ts";
import { outcomeOf, successOutcome } from "../fhir/outcome.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import type { TransactionEntry } from "../fhir/transaction.ts";
import { type TenantSession, withTheirEyes } from "../store/database.ts";
import { type NewResource, readResource, readVersion, referenceOf, type StoredResource } from "../store/resource.ts";
import { thatIsThere } from "./read-resource.ts";
import { searchIn, searchOptions } from "./search-resources.ts";
import { searchset } from "./searchset.ts";
import type { Service } from "./service.ts";
import type { Placed } from "./transaction-place.ts";
import { RefusedWrite } from "./write-in-tenant.ts";

/** How a transaction is answered. */
export interface AnswerOptions {
  readonly baseUrl: string;
  /** `Prefer: return` (https://hl7.org/fhir/R4/http.html#ops); a transaction answers with as little as it may by default. */
  readonly prefer: "minimal" | "representation" | "OperationOutcome";
  readonly handling: "strict" | "lenient";
  /** The link text of a place further on in what a search of these types finds. */
  cursorAt(path: string, types: readonly string[], sort: unknown, place: unknown): string;
}

/** What a transaction has done. */
interface Done {
  readonly placed: readonly Placed[];
  readonly current: ReadonlyMap<string, StoredResource>;
  readonly stored: ReadonlyMap<string, NewResource>;
}

/** One outcome for each entry as sent; reads and searches see what the transaction has written. */
export async function answerEntries(
  service: Service,
  session: TenantSession,
  entries: readonly TransactionEntry[],
  done: Done,
  options: AnswerOptions,
): Promise<BundleOutcome[]> {
  const outcomes: BundleOutcome[] = [];
  for (const entry of entries) {
    const reads = entry.method === "GET" || entry.method === "HEAD";
    outcomes.push(
      reads
        ? await withTheirEyes(service.database, session, () => answerRead(service, session, entry, options))
        : answerWrite(entry, done, options),
    );
  }
  return outcomes;
}

function answerWrite(entry: TransactionEntry, done: Done, options: AnswerOptions): BundleOutcome {
  // A conditional delete may stand for several resources: the first of them answers.
  const placed = done.placed.find((one) => one.at === entry.at);
  if (placed === undefined) throw new Error("an entry was not placed");
  const reference = referenceOf(placed);
  const stored = done.stored.get(reference);
  if (entry.method === "DELETE") return { status: "204 No Content", ...(stored && { etag: etagOf(stored) }) };
  const before = done.current.get(reference);
  const answer = placed.existing ?? stored;
  if (answer === undefined) throw new Error("a write stored nothing");
  const created = placed.existing === undefined && (before === undefined || before.deleted);
  return {
    status: created ? "201 Created" : "200 OK",
    ...versionOf(answer, options.baseUrl),
    ...(options.prefer === "representation" ? { body: answer.body } : {}),
    ...(options.prefer === "OperationOutcome"
      ? { outcome: JSON.stringify(successOutcome(`${reference} is at version ${answer.version}.`)) }
      : {}),
  };
}

async function answerRead(
  service: Service,
  session: TenantSession,
  entry: TransactionEntry,
  options: AnswerOptions,
): Promise<BundleOutcome> {
  if (entry.criteria !== undefined) return answerSearch(service, session, entry, entry.criteria, options);
  const { type, id, version } = entry;
  const stored =
    version === undefined ? await readResource(session, type, id) : await readVersion(session, type, id, version);
  const found = thatIsThere(stored, referenceOf(entry));
  if (!found.ok) {
    const status = stored === undefined ? "404 Not Found" : "410 Gone";
    const at = `${entry.at}.request.url`;
    return { status, outcome: JSON.stringify(outcomeOf(found.refusals.map((one) => ({ ...one, at })))) };
  }
  return {
    status: "200 OK",
    ...versionOf(found.value, options.baseUrl),
    ...(entry.method === "HEAD" ? {} : { body: found.value.body }),
  };
}

async function answerSearch(
  service: Service,
  session: TenantSession,
  entry: TransactionEntry,
  criteria: string,
  options: AnswerOptions,
): Promise<BundleOutcome> {
  const types = [entry.type];
  const query = parseSearch(
    service.definitions,
    types,
    [...new URLSearchParams(criteria)],
    searchOptions(service, options.handling),
  );
  if (!query.ok) throw new RefusedWrite(query.refusals.map((one) => ({ ...one, at: `${entry.at}.request.url` })));
  const answer = await searchIn(service, session, query.value);
  const body = searchset(query.value, answer, {
    base: options.baseUrl,
    path: entry.type,
    cursorAt: (place) => options.cursorAt(entry.type, types, query.value.sort, place),
  });
  return { status: "200 OK", ...(entry.method === "HEAD" ? {} : { body }) };
}

function versionOf(stored: StoredResource, baseUrl: string): Pick<BundleOutcome, "location" | "etag" | "lastModified"> {
  return {
    location: `${baseUrl}/${stored.type}/${stored.id}/_history/${stored.version}`,
    etag: etagOf(stored),
    lastModified: new Date(stored.lastUpdatedMs).toISOString(),
  };
}

function etagOf({ version }: StoredResource): string {
  return `W/"${version}"`;
}
