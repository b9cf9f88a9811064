import { afterAll, afterEach, beforeAll, beforeEach, expect, test } from "vitest";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { inTenant, readInTenant } from "../../src/store/database.ts";
import { forgetEvents, numberEvents } from "../../src/store/event.ts";
import { readResource } from "../../src/store/resource.ts";
import { findSubscription, queueNotifications } from "../../src/store/subscription.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { put, type TestService, testService } from "../support/service.ts";
import {
  deliver,
  eventNumbers,
  kindOf,
  localSettings,
  subscription,
  task,
  withSettings,
} from "../support/subscribing.ts";

let here: TestService;
let receiver: Receiver;

beforeAll(async () => {
  const made = await testService("2026-04-10T09:00:00Z");
  here = { ...made, service: withSettings(made.service, { ...localSettings, mostWaiting: 5, mostFailures: 50 }) };
});
afterAll(() => here.close());
beforeEach(async () => {
  receiver = await startReceiver();
});
afterEach(() => receiver.close());

const numbers = () =>
  receiver.arrived
    .filter(({ body }) => kindOf(body) === "event-notification")
    .flatMap(({ body }) => eventNumbers(body));
const stateOf = (id: string) => readInTenant(here.database, here.tenantId, (session) => findSubscription(session, id));
const only = (id: string) => ({ filters: [`Task?identifier=urn:example:told|${id}`] });
const about = (id: string, name: string) => task(name, { identifier: [{ system: "urn:example:told", value: id }] });

test("two workers at once tell an endpoint each event once", async () => {
  await put(here, subscription("once", receiver.url, { ...only("once"), maxCount: 1 }));
  await deliver(here, "once");
  await put(here, about("once", "o1"), about("once", "o2"), about("once", "o3"));
  await Promise.all([deliver(here, "once"), deliver(here, "once"), deliver(here, "once")]);
  expect(numbers()).toEqual([1, 2, 3]);
});

test("a worker that was too long about something stops when another has taken over, and tells nothing behind it", async () => {
  const sent: number[] = [];
  const { promise: otherSends, resolve: otherIsSending } = Promise.withResolvers<void>();
  let sends = 0;
  let slow: Promise<void> = Promise.resolve();
  let other: Promise<void> = Promise.resolve();
  const told = async ({ body }: { readonly body: string }) => {
    if (kindOf(body) === "handshake") return undefined;
    sends += 1;
    if (sends === 1) {
      sent.push(...eventNumbers(body));
      // Longer than the claim, and shorter than a job goes on.
      here.clock.at += 7_000;
      other = deliver(there, "late");
      await otherSends;
    } else if (sends === 2) {
      otherIsSending();
      await slow;
      sent.push(...eventNumbers(body));
    } else sent.push(...eventNumbers(body));
    return undefined;
  };
  const there = { ...here, service: withSettings(here.service, { ...localSettings, send: told }) };
  await put(there, subscription("late", receiver.url, { ...only("late"), maxCount: 1 }));
  await deliver(there, "late");
  await put(there, about("late", "l1"), about("late", "l2"), about("late", "l3"));
  slow = deliver(there, "late");
  await slow;
  await other;
  expect(sent).toEqual([1, 1, 2, 3]);
  expect((await stateOf("late"))?.delivered).toBe(3);
});

test("a slow endpoint has a worker for ten seconds, and the next job goes on", async () => {
  const sent: number[] = [];
  const slowly = async ({ body }: { readonly body: string }) => {
    if (kindOf(body) === "event-notification") {
      here.clock.at += 6_000;
      sent.push(...eventNumbers(body));
    }
    return undefined;
  };
  const there = { ...here, service: withSettings(here.service, { ...localSettings, send: slowly }) };
  await put(there, subscription("slice", receiver.url, { ...only("slice"), maxCount: 1 }));
  await deliver(there, "slice");
  await put(there, ...Array.from({ length: 4 }, (_, i) => about("slice", `s${i}`)));
  await deliver(there, "slice");
  expect(sent).toEqual([1, 2]);
  await deliver(there, "slice");
  expect(sent).toEqual([1, 2, 3, 4]);
});

test("when more waits than is kept for an endpoint it is in error, and all of it is told when it is mended", async () => {
  await put(here, subscription("full", receiver.url, only("full")));
  await deliver(here, "full");
  receiver.answer = () => 503;
  await put(here, ...Array.from({ length: 8 }, (_, i) => about("full", `f${i}`)));
  await deliver(here, "full");
  expect((await stateOf("full"))?.state).toBe("error");
  receiver.answer = () => 200;
  const before = receiver.arrived.length;
  await put(here, subscription("full", receiver.url, only("full")));
  await deliver(here, "full");
  await deliver(here, "full");
  expect(receiver.arrived.slice(before).map(({ body }) => kindOf(body))[0]).toBe("handshake");
  expect([...new Set(numbers())]).toEqual([1, 2, 3, 4, 5, 6, 7, 8]);
});

test("what was forgotten before it was looked at leaves a gap in the numbers", async () => {
  await put(here, subscription("gap", receiver.url, only("gap")));
  await deliver(here, "gap");
  await put(here, about("gap", "g1"));
  await inTenant(here.database, here.tenantId, (session) => numberEvents(session));
  await inTenant(here.database, here.tenantId, (session) => forgetEvents(session, here.clock.at + 1));
  await put(here, about("gap", "g2"));
  await deliver(here, "gap");
  const [first = 0] = numbers();
  expect(first).toBeGreaterThan(1);
  expect((await stateOf("gap"))?.events).toBe(first);
});

test("a Subscription that is off is told nothing, and goes on with what happens from when it is asked for again", async () => {
  await put(here, subscription("pause", receiver.url, only("pause")));
  await deliver(here, "pause");
  await put(here, subscription("pause", receiver.url, { ...only("pause"), status: "off" }));
  await put(here, about("pause", "p1"));
  await deliver(here, "pause");
  await inTenant(here.database, here.tenantId, (session) => numberEvents(session));
  await put(here, subscription("pause", receiver.url, only("pause")));
  await put(here, about("pause", "p2"));
  await deliver(here, "pause");
  await deliver(here, "pause");
  expect(receiver.arrived.at(-1)?.body).toContain("Task/p2");
  expect(receiver.arrived.map(({ body }) => body).join()).not.toContain("Task/p1");
});

test("a deleted one is gone with all that it kept", async () => {
  await put(here, subscription("gone", receiver.url, only("gone")));
  await deliver(here, "gone");
  await deleteResource(here.service, here.tenantId, { type: "Subscription", id: "gone" });
  expect(await stateOf("gone")).toBeUndefined();
  const stored = await readInTenant(here.database, here.tenantId, (s) => readResource(s, "Subscription", "gone"));
  expect(stored?.deleted).toBe(true);
});

test("a change of what is no matter of the delivery leaves an active one as it is", async () => {
  await put(here, subscription("tagged", receiver.url, only("tagged")));
  await deliver(here, "tagged");
  const tagged = {
    ...subscription("tagged", receiver.url, { ...only("tagged"), status: "active" }),
    reason: "Another word",
  };
  await put(here, tagged);
  expect((await stateOf("tagged"))?.state).toBe("active");
});

test("a worker's pulse queues one job for each Subscription that something is due for, and none twice", async () => {
  const queued = () => inTenant(here.database, 0, (session) => queueNotifications(session, here.clock.at));
  await put(here, subscription("pulse", receiver.url, only("pulse")));
  expect(await queued()).toBeGreaterThan(0);
  expect(await queued()).toBe(0);
});
