import { instant, type TenantSession } from "./database.ts";

/** That a version of a resource was written. */
export interface ResourceEvent {
  /** Behind each other without a gap, in an order in which each version of a resource follows the one before. */
  readonly number: number;
  readonly atMs: number;
  readonly type: string;
  readonly id: string;
  readonly version: number;
  readonly action: "create" | "update" | "delete";
  /** Whose it is; null where it is nobody's. */
  readonly patientId: string | null;
  /** The request that wrote it; null where none did. */
  readonly requestId: string | null;
}

/** What a statement selects of an event. */
export const eventColumns =
  'number::float8 as number, at as "atMs", type, id, version, action, patient_id as "patientId", request_id as "requestId"';

/**
 * The part of a writing statement that notes what it wrote, where anybody watches the tenant: part of the statement, so that it
 * costs no way to the server of its own, and where nobody watches one look at a key. `written` is a relation with type, id,
 * version, last_updated, deleted and patient_id.
 */
export function noting(written: string): string {
  return `noted as (
    insert into event_outbox (tenant_id, at, type, id, version, action, patient_id, request_id)
    select $1::int, w.last_updated, w.type, w.id, w.version,
      case when w.deleted then 'delete' when w.version = 1 then 'create' else 'update' end, w.patient_id,
      nullif(split_part(current_setting('tidegate.cause', true), ' ', 1), '')
    from ${written} w
    where (select h.watched_until > now() from event_head h where h.tenant_id = $1)
  )`;
}

/** The type of what is no event: a mark in the log that nobody watched for a while, and that something may be missing there. */
export const gapMark = "-";

/**
 * Notes a tenant's writes from now on: for good, or at least for so many seconds. Answers the number of its last event. Where
 * nobody has watched for a while, a mark in the log says so.
 */
export async function watchEvents(session: TenantSession, seconds: number | "for good"): Promise<number> {
  const rows = await session.query<{ number: number }>(
    `with before as (
       select from event_head where tenant_id = $1 and watched_until < now()
     ), head as (
       insert into event_head as h (tenant_id, number, watched_until) values ($1, 0,
         case when $2::int is null then 'infinity' else now() + make_interval(secs => $2::int) end)
       on conflict (tenant_id) do update set watched_until = greatest(h.watched_until, excluded.watched_until),
         number = h.number + (h.watched_until < now())::int
       returning number
     ), marked as (
       insert into event_log (tenant_id, number, at, type, id, version, action)
       select $1::int, head.number, now(), '${gapMark}', '${gapMark}', 0, 'create' from head where exists (select from before)
       on conflict do nothing
     )
     select number::float8 as number from head`,
    [session.tenantId, seconds === "for good" ? null : seconds],
  );
  return rows[0]?.number ?? 0;
}

/** Stops noting for good where no Subscription asks for it any more; whoever watches for a while goes on watching. */
export async function unwatchEvents(session: TenantSession): Promise<void> {
  await session.query(
    `update event_head set watched_until = now() + interval '90 seconds' where tenant_id = $1 and watched_until = 'infinity'
       and not exists (select from subscription_state s where s.tenant_id = $1 and s.state <> 'off')`,
    [session.tenantId],
  );
}

/**
 * Numbers what has been written since, at most so many, and answers the number of the last event. A sequence alone would not do:
 * who reads up to 7 would never see 6, whose writer commits later. Here each gets its number when everybody can see it, one
 * caller after the other; and as a version is written after the one before was committed, it gets the higher number.
 */
export async function numberEvents(session: TenantSession, most = 1_000): Promise<number> {
  const [head] = await session.query<{ number: number }>(
    "select number::float8 as number from event_head where tenant_id = $1 for update",
    [session.tenantId],
  );
  if (head === undefined) return 0;
  const [moved] = await session.query<{ count: number }>(
    `with taken as (
       delete from event_outbox where tenant_id = $1 and sequence in (
         select sequence from event_outbox where tenant_id = $1 order by sequence limit $2)
       returning *
     ), logged as (
       insert into event_log (tenant_id, number, at, type, id, version, action, patient_id, request_id)
       select $1::int, $3::bigint + row_number() over (order by sequence), at, type, id, version, action, patient_id, request_id from taken
       returning number
     )
     select count(*)::float8 as count from logged`,
    [session.tenantId, most, head.number],
  );
  const count = moved?.count ?? 0;
  if (count === 0) return head.number;
  await session.query("update event_head set number = number + $2::bigint where tenant_id = $1", [
    session.tenantId,
    count,
  ]);
  return head.number + count;
}

/** Whether anything waits for its number. */
export async function hasUnnumbered(session: TenantSession): Promise<boolean> {
  const [row] = await session.query<{ waits: boolean }>(
    "select exists (select from event_outbox where tenant_id = $1) as waits",
    [session.tenantId],
  );
  return row?.waits === true;
}

/**
 * Events after a number, the first ones first, beside the number of the last one there was: in one statement, for of two the second would see what somebody
 * else numbers between them, and whoever reads on from there never sees it. Numbers between `number` and that of the first event, or
 * up to the last one where none is left, are of events that were forgotten.
 */
export async function eventsSince(
  session: TenantSession,
  number: number,
  most: number,
): Promise<{ readonly events: readonly ResourceEvent[]; readonly last: number }> {
  const rows = await session.query<{ last: number } & { [Name in keyof ResourceEvent]: ResourceEvent[Name] | null }>(
    `select head.last, ${eventColumns} from (
       select coalesce((select h.number from event_head h where h.tenant_id = $1), 0)::float8 as last) head
     left join lateral (
       select * from event_log where tenant_id = $1 and number > $2 order by number limit $3) l on true
     order by number`,
    [session.tenantId, number, most],
  );
  const events = rows.flatMap(({ last: _, ...event }) => (event.number === null ? [] : [event as ResourceEvent]));
  return { events, last: rows[0]?.last ?? 0 };
}

/** The numbers of the last event there was, and of the oldest that is kept: one more than the last where none is. */
export async function eventBounds(session: TenantSession): Promise<{ last: number; oldest: number }> {
  const [row] = await session.query<{ last: number; oldest: number }>(
    `select coalesce((select number from event_head where tenant_id = $1), 0)::float8 as last,
       coalesce((select number from event_log where tenant_id = $1 order by number limit 1),
         (select number + 1 from event_head where tenant_id = $1), 1)::float8 as oldest`,
    [session.tenantId],
  );
  return row ?? { last: 0, oldest: 1 };
}

/** Deletes events from before a time, with those of Subscriptions that were told them. */
export async function forgetEvents(session: TenantSession, beforeMs: number): Promise<void> {
  await session.query("delete from event_log where tenant_id = $1 and at < $2", [session.tenantId, instant(beforeMs)]);
  await session.query(
    `delete from subscription_event e where e.tenant_id = $1 and e.at < $2 and exists (
       select from subscription_state s where s.tenant_id = $1 and s.subscription_id = e.subscription_id
         and (s.delivered >= e.number or s.state = 'off'))`,
    [session.tenantId, instant(beforeMs)],
  );
}
