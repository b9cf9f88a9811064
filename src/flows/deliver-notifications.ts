import type { Subscription } from "@medplum/fhirtypes";
import { readSubscription } from "../fhir/subscription.ts";
import { noteAudit } from "../store/audit.ts";
import { inTenant, readInTenant, type TenantSession } from "../store/database.ts";
import { eventsSince, numberEvents } from "../store/event.ts";
import { readResource } from "../store/resource.ts";
import {
  addEvents,
  claimSubscription,
  eventsOf,
  findSubscription,
  keepSubscription,
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

/** After so long a job begins no other notification: a slow endpoint does not keep a worker from the others, nor from stopping. */
const sliceMs = 10_000;

/** One Subscription in the hands of a job. */
interface Work extends Telling {
  /** Of its resource. */
  readonly version: number;
  readonly claim: Claim;
}

/** Until when the job has the Subscription, if nobody takes it over: moved on as long as it works. */
interface Claim {
  untilMs: number;
}

/**
 * Does what is due for one Subscription: its handshake, the events that it is to be told, a heartbeat. Nothing is done where
 * another worker has it. Events go out in their order, the next when the one before was taken; one that was sent and not noted,
 * because the process died, is sent again with the same number.
 */
export async function deliverNotifications(service: Service, tenantId: number, subscriptionId: string): Promise<void> {
  const settings = service.notifications ?? noNotifications;
  const claim = { untilMs: claimUntil(service, settings) };
  const claimed = await inTenant(service.database, tenantId, (session) =>
    claimSubscription(session, subscriptionId, service.now(), claim.untilMs),
  );
  if (claimed === undefined) return;
  let tryMs = service.now();
  try {
    tryMs = await workOn({ service, settings, tenantId, claim }, claimed);
  } catch (error) {
    const { code, message } = error as { code?: string; message?: string };
    service.log.error({ code, why: code ? undefined : message }, "the work on a Subscription failed");
    tryMs = service.now() + settings.firstRestMs;
  }
  const given = { heldUntilMs: claim.untilMs, tryMs };
  await inTenant(service.database, tenantId, (session) => releaseSubscription(session, subscriptionId, given));
}

function claimUntil({ now }: Service, { timeoutMs }: Notifications): number {
  return now() + 2 * timeoutMs + 5_000;
}

/** Moves the claim on; false where another worker has taken it over, because this one was too long about something. */
async function stillHeld({ service, settings, tenantId, state, claim }: Work): Promise<boolean> {
  const moved = { heldUntilMs: claim.untilMs, untilMs: claimUntil(service, settings) };
  const isHeld = await inTenant(service.database, tenantId, (session) =>
    keepSubscription(session, state.subscriptionId, moved),
  );
  if (isHeld) claim.untilMs = moved.untilMs;
  return isHeld;
}

/** Works on it and answers when to look at it again. */
async function workOn(
  doing: Pick<Work, "service" | "settings" | "tenantId" | "claim">,
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
  return (await stillHeld(work)) ? tell({ ...work, state: after }) : service.now();
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
    const { events, last } = await readInTenant(service.database, tenantId, (session) =>
      eventsSince(session, state.readTo, eventsAGo),
    );
    const readTo = events.at(-1)?.number ?? last;
    // What was forgotten before it was looked at leaves a gap in the numbers.
    const lost = Math.max(0, (events[0]?.number ?? last + 1) - 1 - state.readTo);
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
  const untilMs = service.now() + sliceMs;
  const mayGoOn = (sent: number) => sent < notificationsAJob && (sent === 0 || service.now() < untilMs);
  for (let sent = 0; mayGoOn(sent) && state.delivered < state.events; sent += 1) {
    const events = await readInTenant(service.database, tenantId, (session) =>
      eventsOf(session, state.subscriptionId, { from: state.delivered + 1, to: state.events, most }),
    );
    // Numbers without an event are those that were lost: the endpoint sees that they are left out.
    const delivered = events.at(-1)?.number ?? state.events;
    const told = events.length === 0 ? nothingTold : await notify({ ...work, state }, "event-notification", events);
    if (told.problem !== undefined) return failed({ ...work, state }, told);
    const line = { tenantId, subscriptionId: state.subscriptionId, events: events.map(({ number }) => number) };
    if (events.length > 0) service.log.info({ ...line, reqIds: told.requestIds }, "an endpoint was told");
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
  const { service, tenantId, state, settings, claim } = work;
  const claimedUntilMs = claimUntil(service, settings);
  const held = { claimedUntilMs, heldUntilMs: claim.untilMs };
  const tried = { ...came, failures: 0, ...held, ...nextHeartbeat(work) };
  const after = await noteInTrail(work, told, (session) => noteTry(session, state.subscriptionId, tried), tenantId);
  if (after !== undefined) claim.untilMs = claimedUntilMs;
  return after;
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
    if (told.entities.length > 0) noteAudit(session, disclosure(service, state, told));
    return noted;
  });
  if (told.entities.length > 0) service.trail?.touch(tenantId);
  return after;
}

async function failed(work: Work, told: Told): Promise<number> {
  const { service, tenantId, state, version, settings, claim } = work;
  const { problem = "" } = told;
  const failures = state.failures + 1;
  const line = { tenantId, subscriptionId: state.subscriptionId, failures, reqIds: told.requestIds };
  service.log.warn(line, "an endpoint was not told");
  const tried = { failures, problem, heldUntilMs: claim.untilMs };
  const noted = await noteInTrail(work, told, (session) => noteTry(session, state.subscriptionId, tried), tenantId);
  if (noted === undefined) return service.now();
  const isFull = state.events - state.delivered >= settings.mostWaiting;
  if (failures >= settings.mostFailures || isFull) {
    await becomes(service, tenantId, { ...state, failures, version }, { state: "error", problem });
  }
  return service.now() + restMs(settings, failures, Math.random());
}
