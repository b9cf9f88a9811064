import type { Subscription } from "@medplum/fhirtypes";
import { readSubscription } from "../fhir/subscription.ts";
import { noteAudit } from "../store/audit.ts";
import { inTenant, readInTenant, type TenantSession } from "../store/database.ts";
import { eventBounds, eventsAfter, numberEvents } from "../store/event.ts";
import { readResource } from "../store/resource.ts";
import {
  addEvents,
  claimSubscription,
  eventsOf,
  findSubscription,
  noteTry,
  releaseSubscription,
  type SubscriptionState,
} from "../store/subscription.ts";
import { matching } from "./match-events.ts";
import { type Notifications, noNotifications, restMs } from "./notification-settings.ts";
import type { Service } from "./service.ts";
import { seenBySubscriber } from "./subscriber.ts";
import { becomes } from "./subscription-status.ts";
import { disclosure, nothingTold, notify, type Telling, type Told } from "./tell-endpoint.ts";

/** Events looked at in one go, and how often in one job; notifications sent in one. The next job goes on. */
const [eventsAGo, goesAJob, notificationsAJob] = [500, 10, 50];

/** One Subscription in the hands of a job. */
interface Work extends Telling {
  /** Of its resource. */
  readonly version: number;
}

/**
 * Does what is due for one Subscription: its handshake, the events that it is to be told, a heartbeat. Nothing is done where
 * another worker has it. Events go out in their order, the next when the one before was taken; one that was sent and not noted,
 * because the process died, is sent again with the same number.
 */
export async function deliverNotifications(service: Service, tenantId: number, subscriptionId: string): Promise<void> {
  const settings = service.notifications ?? noNotifications;
  const claimed = await inTenant(service.database, tenantId, (session) =>
    claimSubscription(session, subscriptionId, service.now(), claimUntil(service, settings)),
  );
  if (claimed === undefined) return;
  let tryMs = service.now();
  try {
    tryMs = await workOn({ service, settings, tenantId }, claimed);
  } catch (error) {
    const { code, message } = error as { code?: string; message?: string };
    service.log.error({ code, why: code ? undefined : message }, "the work on a Subscription failed");
    tryMs = service.now() + settings.firstRestMs;
  }
  await inTenant(service.database, tenantId, (session) => releaseSubscription(session, subscriptionId, tryMs));
}

function claimUntil({ now }: Service, { timeoutMs }: Notifications): number {
  return now() + 2 * timeoutMs + 5_000;
}

/** Works on it and answers when to look at it again. */
async function workOn(
  doing: Pick<Work, "service" | "settings" | "tenantId">,
  state: SubscriptionState,
): Promise<number> {
  const { service, tenantId } = doing;
  const stored = await readInTenant(service.database, tenantId, (session) =>
    readResource(session, "Subscription", state.subscriptionId),
  );
  if (stored === undefined || stored.deleted) return service.now();
  const was = { ...state, version: stored.version };
  const asked = readSubscription(JSON.parse(stored.body) as Subscription);
  const seen = await seenBySubscriber(service, tenantId, state);
  const isOver = asked.ok && asked.value.endMs !== undefined && asked.value.endMs <= service.now();
  if (seen === undefined || isOver) {
    const problem = isOver ? "Its end has come." : "Its client is not registered any more, or was disabled.";
    await becomes(service, tenantId, was, { state: "off", problem });
    return service.now();
  }
  if (!asked.ok) {
    await becomes(service, tenantId, was, { state: "error", problem: "It asks for what is not served here." });
    return service.now();
  }
  const work: Work = { ...doing, state, version: stored.version, asked: asked.value, seen };
  if (state.state === "requested") return shakeHands(work);
  const after = await takeIn(work);
  return tell({ ...work, state: after });
}

async function shakeHands(work: Work): Promise<number> {
  const { service, tenantId, state, version } = work;
  const told = await notify(work, "handshake", []);
  if (told.problem !== undefined) return failed(work, told);
  await becomes(service, tenantId, { ...state, version }, { state: "active", ...nextHeartbeat(work) });
  return service.now();
}

function nextHeartbeat({ service, asked }: Work): { heartbeatMs?: number } {
  const { heartbeatSeconds } = asked;
  return heartbeatSeconds === undefined ? {} : { heartbeatMs: service.now() + heartbeatSeconds * 1_000 };
}

/** Looks at what has happened since, with the client's eyes, and numbers what it is to be told. Answers the state after. */
async function takeIn(work: Work): Promise<SubscriptionState> {
  const { service, tenantId, seen, asked, settings } = work;
  let { state } = work;
  for (let go = 0; go < goesAJob && state.events - state.delivered < settings.mostWaiting; go += 1) {
    await inTenant(service.database, tenantId, numberEvents);
    const { events, bounds } = await readInTenant(service.database, tenantId, async (session) => ({
      events: await eventsAfter(session, state.readTo, eventsAGo),
      bounds: await eventBounds(session),
    }));
    const readTo = events.at(-1)?.number ?? bounds.last;
    // What was forgotten before it was looked at leaves a gap in the numbers.
    const lost = Math.max(0, Math.min(bounds.oldest, bounds.last + 1) - 1 - state.readTo);
    if (readTo <= state.readTo) return state;
    const found = await matching(seen, tenantId, asked, events);
    await inTenant(service.database, tenantId, (session) => addEvents(session, state, { events: found, readTo, lost }));
    const next = await readInTenant(service.database, tenantId, (session) =>
      findSubscription(session, state.subscriptionId),
    );
    if (next === undefined || next.state !== "active") return { ...state, state: "off" };
    state = next;
  }
  return state;
}

/** Sends what waits, or a heartbeat where nothing does and one is due. */
async function tell(work: Work): Promise<number> {
  const { service, tenantId, settings, asked } = work;
  let { state } = work;
  if (state.state !== "active") return service.now();
  // A PUT of each resource takes as many answers as resources: one at a time, so that none is sent twice for the next one's sake.
  const isPlain = asked.topic === undefined && asked.content === "full-resource";
  const most = isPlain ? 1 : Math.min(settings.mostEvents, asked.maxCount ?? settings.mostEvents);
  for (let sent = 0; sent < notificationsAJob && state.delivered < state.events; sent += 1) {
    const events = await readInTenant(service.database, tenantId, (session) =>
      eventsOf(session, state.subscriptionId, { from: state.delivered + 1, to: state.events, most }),
    );
    // Numbers without an event are those that were lost: the endpoint sees that they are left out.
    const delivered = events.at(-1)?.number ?? state.events;
    const told = events.length === 0 ? nothingTold : await notify({ ...work, state }, "event-notification", events);
    if (told.problem !== undefined) return failed({ ...work, state }, told);
    const next = await note(work, told, { delivered });
    // Whoever has written it meanwhile is told otherwise, or not at all.
    if (next?.state !== "active" || next.clientId !== state.clientId) return service.now();
    state = next;
  }
  if (state.heartbeatMs !== undefined && state.heartbeatMs <= service.now() && state.delivered === state.events) {
    const told = await notify({ ...work, state }, "heartbeat", []);
    if (told.problem !== undefined) return failed({ ...work, state }, told);
    await note(work, told, {});
  }
  return service.now();
}

async function note(work: Work, told: Told, came: { delivered?: number }): Promise<SubscriptionState | undefined> {
  const { service, tenantId, state, settings } = work;
  const claimedUntilMs = claimUntil(service, settings);
  const tried = { ...came, failures: 0, claimedUntilMs, ...nextHeartbeat(work) };
  return noteInTrail(work, told, (session) => noteTry(session, state.subscriptionId, tried), tenantId);
}

/** Notes a try with its entry in the trail: what left this house, or may have. */
async function noteInTrail(
  { service, state }: Work,
  told: Told,
  noting: (session: TenantSession) => Promise<SubscriptionState | undefined>,
  tenantId: number,
): Promise<SubscriptionState | undefined> {
  const after = await inTenant(service.database, tenantId, async (session) => {
    const noted = await noting(session);
    if (told.entities.length > 0) await noteAudit(session, disclosure(service, state, told));
    return noted;
  });
  if (told.entities.length > 0) service.trail?.touch(tenantId);
  return after;
}

async function failed(work: Work, told: Told): Promise<number> {
  const { service, tenantId, state, version, settings } = work;
  const { problem = "" } = told;
  const failures = state.failures + 1;
  service.log.warn({ tenantId, subscriptionId: state.subscriptionId, failures }, "an endpoint was not told");
  await noteInTrail(work, told, (session) => noteTry(session, state.subscriptionId, { failures, problem }), tenantId);
  const isFull = state.events - state.delivered >= settings.mostWaiting;
  if (failures >= settings.mostFailures || isFull) {
    await becomes(service, tenantId, { ...state, failures, version }, { state: "error", problem });
  }
  return service.now() + restMs(settings, failures, Math.random());
}
