import { createHmac } from "node:crypto";
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { inTenant, readInTenant } from "../../src/store/database.ts";
import { readResource } from "../../src/store/resource.ts";
import { findSubscription } from "../../src/store/subscription.ts";
import { readTasksAbout } from "../../src/store/task.ts";
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

let test_: TestService;
let receiver: Receiver;

beforeAll(async () => {
  const made = await testService("2026-04-10T09:00:00Z");
  test_ = { ...made, service: withSettings(made.service) };
});
afterAll(() => test_.close());
beforeEach(async () => {
  receiver = await startReceiver();
});
afterEach(() => receiver.close());

const stateOf = (id: string) =>
  readInTenant(test_.database, test_.tenantId, (session) => findSubscription(session, id));
const storedOf = async (id: string) =>
  JSON.parse(
    (await readInTenant(test_.database, test_.tenantId, (s) => readResource(s, "Subscription", id)))?.body ?? "null",
  );
const told = () => receiver.arrived.filter(({ body }) => kindOf(body) === "event-notification");

describe("a Subscription", () => {
  test("is active when its endpoint has answered the handshake, and not before", async () => {
    receiver.answer = () => 500;
    await put(test_, subscription("hands", receiver.url));
    await deliver(test_, "hands");
    expect((await storedOf("hands")).status).toBe("requested");
    receiver.answer = () => 204;
    test_.clock.at += 60_000;
    await deliver(test_, "hands");
    expect((await storedOf("hands")).status).toBe("active");
    expect(receiver.arrived.map(({ body }) => kindOf(body))).toEqual(["handshake", "handshake"]);
  });

  test("is told what happened since it was asked for, each event by its number and in its order", async () => {
    await put(test_, subscription("order", receiver.url, { maxCount: 2 }));
    await put(test_, task("a"), task("b"));
    await deliver(test_, "order");
    await put(test_, task("a", { status: "received" }), task("c"));
    await deliver(test_, "order");
    expect(told().map(({ body }) => eventNumbers(body))).toEqual([
      [1, 2],
      [3, 4],
    ]);
    const [first] = told();
    expect(first?.body).toContain('"reference":"https://gate.test/fhir/Task/a"');
    expect((await stateOf("order"))?.delivered).toBe(4);
  });

  test("is told under a signature that its secret makes", async () => {
    await put(
      test_,
      subscription("signed", receiver.url, { channel: { header: ["Authorization: Bearer of-the-endpoint"] } }),
    );
    await deliver(test_, "signed");
    const [{ headers, body }] = receiver.arrived as [(typeof receiver.arrived)[number]];
    const secret = (await stateOf("signed"))?.secret ?? Buffer.alloc(0);
    const signed = `${headers["x-tidegate-timestamp"]}.${body}`;
    expect(headers["x-tidegate-signature"]).toBe(`sha256=${createHmac("sha256", secret).update(signed).digest("hex")}`);
    expect(headers.authorization).toBe("Bearer of-the-endpoint");
    expect((await storedOf("signed")).channel.header).toEqual(["Authorization: (kept by the service)"]);
  });

  test("is told only what its filter finds", async () => {
    await put(test_, subscription("filtered", receiver.url, { filters: ["Task?status=completed"] }));
    await deliver(test_, "filtered");
    await put(test_, task("open"), task("done", { status: "completed" }));
    await deliver(test_, "filtered");
    expect(told()).toHaveLength(1);
    expect(told()[0]?.body).toContain("Task/done");
  });

  test("whose endpoint is down loses nothing, rests longer each time, and is told in order at last", async () => {
    await put(test_, subscription("down", receiver.url, { maxCount: 1 }));
    await deliver(test_, "down");
    await put(test_, task("d1"), task("d2"));
    receiver.answer = () => 500;
    await deliver(test_, "down");
    expect((await stateOf("down"))?.failures).toBe(1);
    await deliver(test_, "down");
    expect((await stateOf("down"))?.failures).toBe(1);
    test_.clock.at += 3_000;
    await deliver(test_, "down");
    expect((await stateOf("down"))?.failures).toBe(2);
    receiver.answer = () => 200;
    test_.clock.at += 10_000;
    await deliver(test_, "down");
    expect(told().map(({ body }) => eventNumbers(body))).toEqual([[1], [1], [1], [2]]);
  });

  test("that cannot be told is in error with a Task, and goes on where it was when it is asked for again", async () => {
    await put(test_, subscription("stopped", receiver.url));
    await deliver(test_, "stopped");
    await put(test_, task("s1"));
    // Too slow is as good as away.
    receiver.answer = () => undefined;
    for (let tries = 0; tries < localSettings.mostFailures; tries += 1) {
      test_.clock.at += 60_000;
      await deliver(test_, "stopped");
    }
    const stopped = await storedOf("stopped");
    expect(stopped).toMatchObject({ status: "error", error: "The endpoint did not answer within 400 ms." });
    const tasks = () =>
      readInTenant(test_.database, test_.tenantId, (s) =>
        readTasksAbout(s, "notification-stopped", "subscription:stopped"),
      );
    expect((await tasks()).map(({ status }) => status)).toEqual(["requested"]);
    await put(test_, task("s2"));
    receiver.answer = () => 200;
    await put(test_, subscription("stopped", receiver.url));
    await deliver(test_, "stopped");
    await deliver(test_, "stopped");
    // The Tasks about the endpoint itself are events as well, behind these two.
    expect(
      told()
        .flatMap(({ body }) => eventNumbers(body))
        .slice(-4),
    ).toEqual([1, 2, 3, 4]);
    expect((await tasks()).map(({ status }) => status)).toEqual(["completed"]);
  });

  test("what was told leaves an entry with the Subscription, the client and the people", async () => {
    await put(test_, { resourceType: "Patient", id: "anna" });
    await put(test_, subscription("trail", receiver.url, { filters: ["Task?patient=Patient/anna"] }));
    await deliver(test_, "trail");
    await put(test_, task("about-anna", { for: { reference: "Patient/anna" } }));
    await deliver(test_, "trail");
    const entries = await inTenant(test_.database, test_.tenantId, (session) =>
      session.query<{ entry: string }>("select entry from audit_pending where tenant_id = $1 order by id", [
        session.tenantId,
      ]),
    );
    const last = entries.at(-1)?.entry ?? "";
    for (const said of ["Subscription/trail", "Task/about-anna", "anna", "configured", "export"])
      expect(last).toContain(said);
  });

  test("follows no redirection", async () => {
    receiver.answer = () => 307;
    await put(test_, subscription("moved", receiver.url));
    await deliver(test_, "moved");
    expect((await stateOf("moved"))?.problem).toBe("The endpoint answered with 307: redirections are not followed.");
  });

  test("hears a heartbeat when nothing happens for as long as it asked", async () => {
    const extension = [
      {
        url: "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-heartbeat-period",
        valueUnsignedInt: 60,
      },
    ];
    await put(test_, subscription("beat", receiver.url, { channel: { extension } }));
    await deliver(test_, "beat");
    await deliver(test_, "beat");
    test_.clock.at += 61_000;
    await deliver(test_, "beat");
    expect(receiver.arrived.map(({ body }) => kindOf(body))).toEqual(["handshake", "heartbeat"]);
  });
});

describe("a plain Subscription of R4", () => {
  test("is told by an empty POST, or by each resource as an update where it names a payload", async () => {
    const plain = (id: string, payload?: string) => ({
      resourceType: "Subscription",
      id,
      status: "requested",
      reason: "A test",
      criteria: "Task?status=accepted",
      channel: { type: "rest-hook", endpoint: receiver.url, ...(payload === undefined ? {} : { payload }) },
    });
    await put(test_, plain("bare"), plain("whole", "application/fhir+json"));
    await deliver(test_, "bare");
    await deliver(test_, "whole");
    await put(test_, task("p1", { status: "accepted" }));
    await deliver(test_, "bare");
    await deliver(test_, "whole");
    const [, , bare, whole] = receiver.arrived;
    expect(bare).toMatchObject({ method: "POST", url: "/told", body: "" });
    expect(whole).toMatchObject({ method: "PUT", url: "/told/Task/p1" });
    expect(JSON.parse(whole?.body ?? "")).toMatchObject({ resourceType: "Task", id: "p1" });
  });
});
