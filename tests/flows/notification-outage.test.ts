import { afterAll, beforeAll, expect, test } from "vitest";
import { defaultNotificationSettings } from "../../src/flows/notification-settings.ts";
import { wayOut } from "../../src/notify/send-notification.ts";
import { readInTenant } from "../../src/store/database.ts";
import { findSubscription } from "../../src/store/subscription.ts";
import { readTasksAbout } from "../../src/store/task.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { deliver, eventNumbers, kindOf, subscription, task, withSettings } from "../support/subscribing.ts";

// The receiver is away for an hour, by a clock that the test moves: refusing connections at first, then answering 500. Everything
// else is as it is unless configured: the rests, and how many tries may fail.
const settings = { ...defaultNotificationSettings, loopback: true, timeoutMs: 400 };
let here: TestService;
let receiver: Receiver;

beforeAll(async () => {
  const made = await testService("2026-04-10T09:00:00Z");
  here = { ...made, service: withSettings(made.service, { ...settings, ...wayOut(settings) }) };
  receiver = await startReceiver();
});
afterAll(async () => {
  await receiver.close();
  await here.close();
});

const stateNow = () => readInTenant(here.database, here.tenantId, (session) => findSubscription(session, "away"));
const heard = ({ arrived }: Receiver) =>
  arrived.filter(({ body }) => kindOf(body) === "event-notification").flatMap(({ body }) => eventNumbers(body));

/** Lets so many seconds go by, in which the worker looks every ten, and a Task is written each minute. */
async function live(seconds: number, name: string): Promise<void> {
  for (let second = 0; second < seconds; second += 10) {
    here.clock.at += 10_000;
    if (second % 60 === 0) await put(here, task(`${name}-${second / 60}`));
    await deliver(here, "away");
  }
}

test("an hour's outage loses nothing, doubles nothing, keeps the order, and ends by itself", async () => {
  const port = Number(new URL(receiver.url).port);
  await put(here, subscription("away", receiver.url));
  await deliver(here, "away");
  await live(120, "before");
  expect(heard(receiver)).toEqual([1, 2]);

  await receiver.close();
  await live(1_800, "gone");
  receiver = await startReceiver(port);
  receiver.answer = () => 500;
  await live(1_800, "broken");
  const during = await stateNow();
  expect([during?.state, during?.delivered, during?.problem]).toEqual(["active", 2, "The endpoint answered with 500."]);
  // Fewer and fewer tries: not one a minute for an hour.
  expect(during?.failures).toBeGreaterThan(8);
  expect(during?.failures).toBeLessThan(settings.mostFailures);

  receiver.answer = () => 200;
  const refused = receiver.arrived.length;
  await live(settings.longestRestMs / 1_000, "after");
  receiver.arrived.splice(0, refused);
  const written = 2 + 30 + 30 + settings.longestRestMs / 60_000;
  expect(heard(receiver)).toEqual(Array.from({ length: written - 2 }, (_, i) => i + 3));
  const names = receiver.arrived.flatMap(({ body }) => [...body.matchAll(/Task\/([a-z]+-\d+)/g)].map(([, id]) => id));
  const inOrder = [
    ...Array.from({ length: 30 }, (_, i) => `gone-${i}`),
    ...Array.from({ length: 30 }, (_, i) => `broken-${i}`),
  ];
  expect(names.slice(0, 60)).toEqual(inOrder);
  expect(await stateNow()).toMatchObject({ state: "active", failures: 0, delivered: written });
  const tasks = await readInTenant(here.database, here.tenantId, (session) =>
    readTasksAbout(session, "notification-stopped", "subscription:away"),
  );
  expect(tasks).toEqual([]);
}, 60_000);
