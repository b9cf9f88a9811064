import { afterAll, beforeAll, expect, test } from "vitest";
import { inTenant, readInTenant } from "../../src/store/database.ts";
import {
  eventBounds,
  eventsSince,
  forgetEvents,
  numberEvents,
  unwatchEvents,
  watchEvents,
} from "../../src/store/event.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { task } from "../support/subscribing.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-04-10T09:00:00Z");
});
afterAll(() => here.close());

const within = <T>(work: Parameters<typeof inTenant<T>>[2]) => inTenant(here.database, here.tenantId, work);
const outbox = () =>
  within((session) =>
    session.query<{ id: string }>("select id from event_outbox where tenant_id = $1 order by sequence", [
      session.tenantId,
    ]),
  );

test("a write in a tenant that nobody watches notes nothing", async () => {
  await put(here, task("unwatched"));
  expect(await outbox()).toEqual([]);
});

test("each version is noted with its transaction, and with none that was rolled back", async () => {
  await within((session) => watchEvents(session, "for good"));
  await put(here, task("a"));
  await put(here, task("a", { status: "received" }));
  const rolledBack = within(async (session) => {
    await session.query(
      "insert into event_outbox (tenant_id, at, type, id, version, action) values ($1, now(), 'Task', 'never', 1, 'create')",
      [session.tenantId],
    );
    throw new Error("no");
  });
  await expect(rolledBack).rejects.toThrow("no");
  expect((await outbox()).map(({ id }) => id)).toEqual(["a", "a"]);
  expect(await within((session) => numberEvents(session))).toBe(2);
  const { events } = await readInTenant(here.database, here.tenantId, (session) => eventsSince(session, 0, 10));
  expect(events).toMatchObject([
    { number: 1, type: "Task", id: "a", version: 1, action: "create" },
    { number: 2, type: "Task", id: "a", version: 2, action: "update" },
  ]);
});

test("who commits late is numbered late, and missed by nobody who has read on", async () => {
  let commit: () => void = () => undefined;
  const late = within(async (session) => {
    await session.query(
      "insert into event_outbox (tenant_id, at, type, id, version, action) values ($1, now(), 'Task', 'late', 1, 'create')",
      [session.tenantId],
    );
    await new Promise<void>((resolve) => {
      commit = resolve;
    });
  });
  await put(here, task("early"));
  const read = await within((session) => numberEvents(session));
  commit();
  await late;
  await within((session) => numberEvents(session));
  const { events } = await readInTenant(here.database, here.tenantId, (session) => eventsSince(session, read, 10));
  expect(events.map(({ id, number }) => [id, number])).toEqual([["late", read + 1]]);
});

test("what somebody else numbers while one reads is not passed over", async () => {
  const read = await within((session) => numberEvents(session));
  await put(here, task("between"));
  const found = await readInTenant(here.database, here.tenantId, (session) =>
    eventsSince(
      {
        ...session,
        // The other is done between any two statements.
        query: async (text, values) => {
          const rows = await session.query(text, values);
          await within((other) => numberEvents(other));
          return rows as never;
        },
      },
      read,
      10,
    ),
  );
  const readTo = found.events.at(-1)?.number ?? found.last;
  const next = await readInTenant(here.database, here.tenantId, (session) => eventsSince(session, readTo, 10));
  expect([...found.events, ...next.events].map(({ id }) => id)).toEqual(["between"]);
});

test("of many that number at once each event gets one number, without a gap", async () => {
  await put(here, ...Array.from({ length: 30 }, (_, i) => task(`many-${i}`)));
  await Promise.all(Array.from({ length: 6 }, () => within((session) => numberEvents(session, 7))));
  const { last } = await readInTenant(here.database, here.tenantId, eventBounds);
  const { events } = await readInTenant(here.database, here.tenantId, (session) => eventsSince(session, 0, 1_000));
  expect(events.map(({ number }) => number)).toEqual(Array.from({ length: last }, (_, i) => i + 1));
});

test("what is kept no longer is told by the oldest number, and numbers go on", async () => {
  await within((session) => forgetEvents(session, Date.now() + 86_400_000));
  const { last, oldest } = await readInTenant(here.database, here.tenantId, eventBounds);
  expect(oldest).toBe(last + 1);
  await put(here, task("next"));
  expect(await within((session) => numberEvents(session))).toBe(last + 1);
});

test("when no Subscription asks for it any more, it ends after a while", async () => {
  await within(unwatchEvents);
  const [head] = await within((session) =>
    session.query<{ ends: boolean }>(
      "select watched_until < now() + interval '2 minutes' as ends from event_head where tenant_id = $1",
      [session.tenantId],
    ),
  );
  expect(head?.ends).toBe(true);
});
