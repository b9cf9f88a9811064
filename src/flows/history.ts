import { accepted, type Result, refused } from "../domain/result.ts";
import type { HistoryPlace, HistoryQuery, HistoryScope } from "../fhir/history-query.ts";
import { readInTenant } from "../store/database.ts";
import { countHistory, type HistoryPage, readHistory } from "../store/history.ts";
import { readResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** Where the next page starts, with what was settled on the first one. */
export interface HistoryCursor {
  readonly after: HistoryPlace;
  readonly total?: number;
  /** Start of the period that `_at` asks for, as the first page took it. */
  readonly atLowMs?: number;
}

/** One page of a history. */
export interface HistoryAnswer extends Pick<HistoryPage, "versions"> {
  readonly total?: number;
  /** Absent on the last page. */
  readonly next?: HistoryCursor;
}

/** Further than this the total of a page is not counted: 100,000 rows of an index are some tens of milliseconds. */
const mostCounted = 100_000;

/** Counted to the end where nothing but the number is asked for. */
const countAll = 2_000_000_000;

/**
 * One page of the history of a resource, a type or everything, newest version first; 404 for a resource that never
 * existed here, while a deleted one still has its history (https://hl7.org/fhir/R4/http.html#history).
 */
export async function history(
  service: Service,
  tenantId: number,
  scope: HistoryScope,
  query: HistoryQuery,
  cursor?: HistoryCursor,
): Promise<Result<HistoryAnswer>> {
  const at = query.at && { ...query.at, lowMs: cursor?.atLowMs ?? Math.min(query.at.lowMs, service.now()) };
  const wanted = {
    scope,
    ...(query.sinceMs === undefined ? {} : { sinceMs: query.sinceMs }),
    ...(at === undefined ? {} : { at }),
  };
  return readInTenant(service.database, tenantId, async (session): Promise<Result<HistoryAnswer>> => {
    const most = query.count === 0 ? countAll : mostCounted;
    const total = cursor === undefined ? await countHistory(session, wanted, most) : cursor.total;
    if (total === 0 && "id" in scope && (await readResource(session, scope.type, scope.id)) === undefined) {
      return refused({ kind: "not-found", detail: `There never was a ${scope.type}/${scope.id} here.`, status: 404 });
    }
    const counted = total === undefined ? {} : { total };
    if (query.count === 0 || total === 0) return accepted({ versions: [], ...counted });
    const page = await readHistory(session, wanted, {
      count: query.count,
      ...(cursor === undefined ? {} : { after: cursor.after }),
    });
    const last = page.versions.at(-1);
    if (!page.more || last === undefined) return accepted({ versions: page.versions, ...counted });
    const { lastUpdatedMs, type, id, version } = last;
    const after = { lastUpdatedMs, type, id, version };
    const next = { after, ...counted, ...(at === undefined ? {} : { atLowMs: at.lowMs }) };
    return accepted({ versions: page.versions, ...counted, next });
  });
}
