import { instant, type TenantSession } from "./database.ts";
import { eventColumns, type ResourceEvent } from "./event.ts";

/** How far one Subscription is, and what it keeps to itself. */
export interface SubscriptionState {
  readonly subscriptionId: string;
  readonly clientId: string;
  /** Between blanks. */
  readonly scopes: string;
  readonly state: "requested" | "active" | "error" | "off";
  readonly secret: Buffer;
  readonly headers: readonly string[];
  /** Events told or to be told since it began. */
  readonly events: number;
  /** The highest that its endpoint has taken. */
  readonly delivered: number;
  /** The last event of the tenant that was looked at for it. */
  readonly readTo: number;
  /** Tries in a row that failed. */
  readonly failures: number;
  readonly heartbeatMs?: number;
  readonly problem?: string;
}

type Row = Omit<SubscriptionState, "headers" | "heartbeatMs" | "problem"> & {
  readonly headers: string;
  readonly heartbeatMs: number | null;
  readonly problem: string | null;
};

const columns = `subscription_id as "subscriptionId", client_id as "clientId", scopes, state, secret, headers, events::float8 as events,
  delivered::float8 as delivered, read_to::float8 as "readTo", failures, heartbeat_at as "heartbeatMs", problem`;

function stateOf({ headers, heartbeatMs, problem, ...row }: Row): SubscriptionState {
  return {
    ...row,
    headers: JSON.parse(headers) as string[],
    ...(heartbeatMs === null ? {} : { heartbeatMs }),
    ...(problem === null ? {} : { problem }),
  };
}

export async function findSubscription(
  session: TenantSession,
  subscriptionId: string,
): Promise<SubscriptionState | undefined> {
  const rows = await session.query<Row>(
    `select ${columns} from subscription_state where tenant_id = $1 and subscription_id = $2`,
    [session.tenantId, subscriptionId],
  );
  return rows.map(stateOf)[0];
}

/** Puts a state in the place of the one before, to be worked on at once. */
export async function saveSubscription(session: TenantSession, one: SubscriptionState, nowMs: number): Promise<void> {
  await session.query(
    `insert into subscription_state (tenant_id, subscription_id, client_id, scopes, state, secret, headers, events, delivered, read_to,
       failures, try_at, heartbeat_at, claimed_until, problem)
     values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, '-infinity', $14)
     on conflict (tenant_id, subscription_id) do update set client_id = excluded.client_id, scopes = excluded.scopes,
       state = excluded.state, secret = excluded.secret, headers = excluded.headers, events = excluded.events,
       delivered = excluded.delivered, read_to = excluded.read_to, failures = excluded.failures, try_at = excluded.try_at,
       heartbeat_at = excluded.heartbeat_at, problem = excluded.problem`,
    [
      session.tenantId,
      one.subscriptionId,
      one.clientId,
      one.scopes,
      one.state,
      one.secret,
      JSON.stringify(one.headers),
      one.events,
      one.delivered,
      one.readTo,
      one.failures,
      instant(nowMs),
      instant(one.heartbeatMs),
      one.problem ?? null,
    ],
  );
}

/** Deletes the state of a Subscription and what it was told. */
export async function deleteSubscription(session: TenantSession, subscriptionId: string): Promise<void> {
  for (const table of ["subscription_event", "subscription_state"]) {
    await session.query(`delete from ${table} where tenant_id = $1 and subscription_id = $2`, [
      session.tenantId,
      subscriptionId,
    ]);
  }
}

/**
 * Takes a Subscription to oneself for a while; undefined where somebody else has it, or nothing is to be done. A worker that dies
 * has it no longer than that.
 */
export async function claimSubscription(
  session: TenantSession,
  subscriptionId: string,
  nowMs: number,
  untilMs: number,
): Promise<SubscriptionState | undefined> {
  const rows = await session.query<Row>(
    `update subscription_state set claimed_until = $4 where tenant_id = $1 and subscription_id = $2
       and claimed_until <= $3 and try_at <= $3 and state in ('requested', 'active') returning ${columns}`,
    [session.tenantId, subscriptionId, instant(nowMs), instant(untilMs)],
  );
  return rows.map(stateOf)[0];
}

/** Keeps it for longer, up to `untilMs`; false where it was `heldUntilMs` no more: another worker has taken it since. */
export async function keepSubscription(
  session: TenantSession,
  subscriptionId: string,
  { heldUntilMs, untilMs }: { readonly heldUntilMs: number; readonly untilMs: number },
): Promise<boolean> {
  const rows = await session.query(
    `update subscription_state set claimed_until = $4 where tenant_id = $1 and subscription_id = $2 and claimed_until = $3 returning 1`,
    [session.tenantId, subscriptionId, instant(heldUntilMs), instant(untilMs)],
  );
  return rows.length === 1;
}

/** Gives it back, to be taken again from `tryMs` on, unless another worker has taken it since. */
export async function releaseSubscription(
  session: TenantSession,
  subscriptionId: string,
  { heldUntilMs, tryMs }: { readonly heldUntilMs: number; readonly tryMs: number },
): Promise<void> {
  await session.query(
    `update subscription_state set claimed_until = '-infinity', try_at = $4
     where tenant_id = $1 and subscription_id = $2 and claimed_until = $3`,
    [session.tenantId, subscriptionId, instant(heldUntilMs), instant(tryMs)],
  );
}

/**
 * Notes what a try came to, and answers the state now; undefined where it was ended, or where it is not held until `heldUntilMs`
 * any more. What was delivered never goes back.
 */
export async function noteTry(
  session: TenantSession,
  subscriptionId: string,
  came: Partial<Pick<SubscriptionState, "state" | "delivered" | "failures" | "heartbeatMs" | "problem">> & {
    readonly claimedUntilMs?: number;
    readonly heldUntilMs?: number;
  },
): Promise<SubscriptionState | undefined> {
  const rows = await session.query<Row>(
    `update subscription_state set state = coalesce($3, state), delivered = greatest(delivered, coalesce($4::bigint, 0)),
       failures = coalesce($5::int, failures), heartbeat_at = coalesce($6, heartbeat_at), problem = $7,
       claimed_until = coalesce($8, claimed_until)
     where tenant_id = $1 and subscription_id = $2 and state in ('requested', 'active')
       and ($9::timestamptz is null or claimed_until = $9) returning ${columns}`,
    [
      session.tenantId,
      subscriptionId,
      came.state ?? null,
      came.delivered ?? null,
      came.failures ?? null,
      instant(came.heartbeatMs),
      came.problem ?? null,
      instant(came.claimedUntilMs),
      instant(came.heldUntilMs),
    ],
  );
  return rows.map(stateOf)[0];
}

/**
 * Adds events to what a Subscription is told, and notes how far the tenant's events were looked at; false where somebody else was
 * first, and then nothing is added. `lost` are numbers that are left out: events that were forgotten before anybody looked.
 */
export async function addEvents(
  session: TenantSession,
  one: Pick<SubscriptionState, "subscriptionId" | "readTo">,
  found: { readonly events: readonly ResourceEvent[]; readonly readTo: number; readonly lost: number },
): Promise<boolean> {
  const rows = await session.query<{ events: number }>(
    `update subscription_state set events = events + $3::bigint, read_to = $4 where tenant_id = $1 and subscription_id = $2
       and read_to = $5 returning events::float8 as events`,
    [session.tenantId, one.subscriptionId, found.events.length + found.lost, found.readTo, one.readTo],
  );
  const [row] = rows;
  if (row === undefined) return false;
  if (found.events.length === 0) return true;
  await session.query(
    `insert into subscription_event (tenant_id, subscription_id, number, at, type, id, version, action, patient_id, request_id)
     select $1::int, $2, $3::bigint + row_number() over (order by l.number), l.at, l.type, l.id, l.version, l.action, l.patient_id,
       l.request_id
     from event_log l where l.tenant_id = $1 and l.number = any($4::bigint[])`,
    [session.tenantId, one.subscriptionId, row.events - found.events.length, found.events.map(({ number }) => number)],
  );
  return true;
}

/** What a Subscription is told, from one number to another, both inside. */
export async function eventsOf(
  session: TenantSession,
  subscriptionId: string,
  range: { readonly from: number; readonly to: number; readonly most: number },
): Promise<ResourceEvent[]> {
  return session.query<ResourceEvent>(
    `select ${eventColumns} from subscription_event where tenant_id = $1 and subscription_id = $2 and number between $3 and $4
     order by number limit $5`,
    [session.tenantId, subscriptionId, range.from, range.to, range.most],
  );
}

/** Queues a job for every Subscription of every tenant that something is due for; answers how many. */
export async function queueNotifications(session: TenantSession, nowMs: number): Promise<number> {
  const [row] = await session.query<{ queued: number }>("select queue_notifications($1) as queued", [instant(nowMs)]);
  return row?.queued ?? 0;
}

/** How many Subscriptions of a client there are. */
export async function countSubscriptions(session: TenantSession, clientId: string): Promise<number> {
  const [row] = await session.query<{ count: number }>(
    "select count(*)::int as count from subscription_state where tenant_id = $1 and client_id = $2",
    [session.tenantId, clientId],
  );
  return row?.count ?? 0;
}

/** Ids of Subscriptions, the first so many. */
export async function subscriptionIds(session: TenantSession, most: number): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    "select subscription_id as id from subscription_state where tenant_id = $1 order by subscription_id limit $2",
    [session.tenantId, most],
  );
  return rows.map(({ id }) => id);
}

/** Replaces the key of a client's own Subscription; false where there is none. */
export async function setSecret(
  session: TenantSession,
  one: { readonly subscriptionId: string; readonly clientId: string; readonly secret: Buffer },
): Promise<boolean> {
  const rows = await session.query(
    "update subscription_state set secret = $4 where tenant_id = $1 and subscription_id = $2 and client_id = $3 returning 1",
    [session.tenantId, one.subscriptionId, one.clientId, one.secret],
  );
  return rows.length === 1;
}
