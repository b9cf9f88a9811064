import type { PatientRecord, Supporting } from "../fhir/everything.ts";
import { instant, type TenantSession } from "./database.ts";
import { type StoredResource, storedColumns } from "./resource.ts";

/** Where a page ended: the patient itself has rank 0 and comes first, everything else rank 1. */
export type RecordPlace = readonly [rank: number, type: string, id: string];

/** Which part of a record a page is. */
export interface RecordPart {
  readonly startMs?: number;
  readonly endMs?: number;
  readonly sinceMs?: number;
  readonly count: number;
  /** Where the page before ended. */
  readonly after?: RecordPlace;
}

/** One page of a record, the patient first, then by type and id; `more` says whether a next page has any. */
export interface RecordPage {
  readonly resources: readonly StoredResource[];
  readonly more: boolean;
  /** Where this page ended; absent when it is empty. */
  readonly end?: RecordPlace;
}

type PageRow = StoredResource & { readonly patientDeleted: boolean; readonly rank: number | null };

const columns = storedColumns("r");

// The hot column's index and that of the terms are joined by OR, so that each row comes once, however many ways it belongs to
// the patient. A resource without a clinical date is in every range of dates: nobody can say that it lies outside.
const pageStatement = `with subject as (
    select deleted from resource where tenant_id = $1 and type = 'Patient' and id = $2
  ), page as (
    select case when r.type = 'Patient' and r.id = $2 then 0 else 1 end as rank, r.type, r.id, r.version, r.last_updated, r.deleted, r.body
    from resource r
    where r.tenant_id = $1 and not r.deleted
      and (($3::boolean and r.type = 'Patient' and r.id = $2)
        or (r.type = any($4::text[]) and r.patient_id = $2) or r.terms && $5::bigint[])
      and (r.started_at is null or (($6::timestamptz is null or r.ended_at > $6) and ($7::timestamptz is null or r.started_at < $7)))
      and ($8::timestamptz is null or r.last_updated >= $8)
      and (case when r.type = 'Patient' and r.id = $2 then 0 else 1 end, r.type, r.id) > ($9::int, $10::text, $11::text)
    order by 1, r.type, r.id limit $12
  )
  select s.deleted as "patientDeleted", p.rank, ${storedColumns("p")}
  from subject s left join page p on not s.deleted order by p.rank, p.type, p.id`;

/** One page of a patient's record in one statement; "unknown" when there never was such a patient, "deleted" when there is no longer. */
export async function readRecord(
  session: TenantSession,
  record: PatientRecord,
  part: RecordPart,
): Promise<RecordPage | "unknown" | "deleted"> {
  const rows = await session.query<PageRow>(pageStatement, [
    session.tenantId,
    record.patientId,
    record.withPatient,
    record.hotTypes,
    record.terms,
    instant(part.startMs),
    instant(part.endMs),
    instant(part.sinceMs),
    ...(part.after ?? [-1, "", ""]),
    part.count + 1,
  ]);
  const [first] = rows;
  if (first === undefined) return "unknown";
  if (first.patientDeleted) return "deleted";
  const found = rows.filter((row) => row.rank !== null);
  const resources = found.slice(0, part.count);
  const last = resources.at(-1);
  return {
    resources,
    more: found.length > part.count,
    ...(last === undefined ? {} : { end: [last.rank ?? 1, last.type, last.id] as const }),
  };
}

/** The current resources that a page needs beside itself, at most `limit` and one more, in one statement. */
export async function readSupporting(
  session: TenantSession,
  supporting: Supporting,
  limit: number,
): Promise<StoredResource[]> {
  if (supporting.references.length === 0 && supporting.terms.length === 0) return [];
  const pairs = supporting.references.map((reference) => reference.split("/"));
  const found = await session.query<StoredResource>(
    `(select ${columns} from resource r join unnest($2::text[], $3::text[]) as wanted(type, id) using (type, id)
       where tenant_id = $1 and not deleted order by type, id limit $5)
     union all
     (select ${columns} from resource r
       where tenant_id = $1 and type = 'Questionnaire' and not deleted and terms && $4::bigint[] order by id limit $5)`,
    [session.tenantId, pairs.map(([type]) => type), pairs.map(([, id]) => id), supporting.terms, limit + 1],
  );
  // A Questionnaire may be named both ways.
  return [...new Map(found.map((one) => [`${one.type}/${one.id}`, one])).values()];
}
