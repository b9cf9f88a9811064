import { randomBytes } from "node:crypto";
import type { Resource, Subscription } from "@medplum/fhirtypes";
import type { Refusal } from "../domain/result.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import { readSubscription, type Subscribed } from "../fhir/subscription.ts";
import { findClient } from "../store/client.ts";
import type { TenantSession } from "../store/database.ts";
import { unwatchEvents, watchEvents } from "../store/event.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";
import {
  countSubscriptions,
  deleteSubscription,
  findSubscription,
  type SubscriptionState,
  saveSubscription,
} from "../store/subscription.ts";
import { configuredGrant } from "./grant.ts";
import { headerProblems, keptHeaders, maskedHeaders } from "./notification-headers.ts";
import { noNotifications } from "./notification-settings.ts";
import { searchOptions } from "./search-resources.ts";
import type { Service } from "./service.ts";
import { RefusedWrite } from "./write-in-tenant.ts";

/** A write as commit-writes has it. */
interface Write {
  readonly type: string;
  readonly id: string;
  readonly resource?: Resource;
  readonly exact?: unknown;
}

const mostOfClient = 100;

/**
 * Settles what clients write of Subscriptions before it is stored: refuses (RefusedWrite) what could not be served, keeps apart
 * what the resource must not show, and begins, resumes or ends the work. Answers the writes as they are to be stored.
 */
export async function settleSubscriptions(
  service: Service,
  session: TenantSession,
  writes: readonly Write[],
  current: ReadonlyMap<string, StoredResource>,
): Promise<readonly Write[]> {
  if (writes.every(({ type }) => type !== "Subscription")) return writes;
  const settled: Write[] = [];
  for (const write of writes) {
    settled.push(write.type === "Subscription" ? await settle(service, session, write, current) : write);
  }
  return settled;
}

async function settle(
  service: Service,
  session: TenantSession,
  write: Write,
  current: ReadonlyMap<string, StoredResource>,
): Promise<Write> {
  const subscription = write.resource as Subscription | undefined;
  if (subscription === undefined) {
    await deleteSubscription(session, write.id);
    await unwatchEvents(session);
    return write;
  }
  const before = await findSubscription(session, write.id);
  const masked = maskedWrite(write);
  const { status } = subscription;
  if (status === "active" || status === "error") {
    if (before?.state === status && asksTheSame(masked.resource, current.get(referenceOf(write)))) return masked;
    const detail = `The service itself makes a Subscription ${status}. Send it as requested, or as off.`;
    throw new RefusedWrite([{ kind: "business-rule", detail, at: "Subscription.status", status: 422 }]);
  }
  const refusals = headerProblems(subscription);
  if (refusals.length > 0) throw new RefusedWrite(refusals);
  const writer = await knownWriter(service, session);
  if (status === "requested") await refuseUnserved(service, session, subscription, before);
  if (writer === undefined) {
    if (status !== "requested" && before === undefined) return masked;
    const detail =
      "A Subscription goes on when its token is over: it takes a client that is registered here, and not a token of another issuer or a bulk import.";
    throw new RefusedWrite([{ kind: "forbidden", detail, status: 403 }]);
  }
  // Whoever writes it last is told, with their own eyes: a Subscription of somebody else is no way to theirs.
  const own = before?.clientId === writer.clientId ? before : undefined;
  const isResumed = before !== undefined && before.state !== "off";
  const head = status === "requested" ? await watchEvents(session, "for good") : (before?.readTo ?? 0);
  const next: SubscriptionState = {
    subscriptionId: write.id,
    ...writer,
    state: status === "requested" ? "requested" : "off",
    secret: own?.secret ?? randomBytes(32),
    headers: keptHeaders(subscription.channel.header ?? [], own?.headers ?? []),
    events: before?.events ?? 0,
    delivered: isResumed ? before.delivered : (before?.events ?? 0),
    readTo: isResumed ? before.readTo : head,
    failures: 0,
  };
  await saveSubscription(session, next, service.now());
  if (next.state === "off") await unwatchEvents(session);
  return masked;
}

async function knownWriter(
  { writer }: Service,
  session: TenantSession,
): Promise<{ clientId: string; scopes: string } | undefined> {
  if (writer === undefined || writer.clientId === configuredGrant.clientId) return writer;
  return (await findClient(session, writer.clientId)) === undefined ? undefined : writer;
}

async function refuseUnserved(
  service: Service,
  session: TenantSession,
  subscription: Subscription,
  before: SubscriptionState | undefined,
): Promise<void> {
  const read = readSubscription(subscription);
  const refusals = read.ok ? unserved(service, read.value) : read.refusals;
  if (refusals.length > 0) throw new RefusedWrite(refusals);
  if (before === undefined && (await countSubscriptions(session, service.writer?.clientId ?? "")) >= mostOfClient) {
    const detail = `A client has at most ${mostOfClient} Subscriptions. Delete one that is not needed.`;
    throw new RefusedWrite([{ kind: "too-costly", detail, status: 422 }]);
  }
}

/** Why what a Subscription asks for is not served. */
function unserved(service: Service, asked: Subscribed): readonly Refusal[] {
  const at = "Subscription.criteria";
  const endpoint = (service.notifications ?? noNotifications).problemOf(asked.endpoint);
  const refusals: Refusal[] =
    endpoint === undefined
      ? []
      : [{ kind: "value", detail: endpoint, at: "Subscription.channel.endpoint", status: 422 }];
  const types = service.database.confinement?.types;
  if (!service.definitions.has(asked.type)) {
    refusals.push({ kind: "not-supported", detail: `There are no ${asked.type} resources here.`, at, status: 422 });
    return refusals;
  }
  if (types !== undefined && !types.includes(asked.type)) {
    const detail = `The token may not read ${asked.type}, so nothing of it would be told.`;
    refusals.push({ kind: "forbidden", detail, at, status: 403 });
  }
  for (const query of asked.queries) {
    const search = parseSearch(
      service.definitions,
      [asked.type],
      [...new URLSearchParams(query)],
      searchOptions(service, "strict"),
    );
    if (!search.ok) refusals.push(...search.refusals.map((one) => ({ ...one, at, status: 422 })));
  }
  return refusals;
}

function maskedWrite(write: Write): Write {
  const resource = write.resource as Subscription;
  if (resource.channel.header === undefined) return write;
  const header = maskedHeaders(resource.channel.header);
  const exact = write.exact as { channel: object } | undefined;
  return {
    ...write,
    resource: { ...resource, channel: { ...resource.channel, header } },
    ...(exact === undefined ? {} : { exact: { ...exact, channel: { ...exact.channel, header } } }),
  };
}

function asksTheSame(resource: Resource | undefined, before: StoredResource | undefined): boolean {
  if (resource === undefined || before === undefined) return false;
  const asked = (one: object) => {
    const { criteria, _criteria, channel, end } = one as Record<string, unknown>;
    return JSON.stringify([criteria, _criteria, channel, end]);
  };
  return asked(resource) === asked(JSON.parse(before.body) as object);
}
