import { afterAll, beforeAll, expect, test } from "vitest";
import { causedBy } from "../../src/flows/cause.ts";
import { inTenant } from "../../src/store/database.ts";
import { memoryLog } from "../support/memory-log.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { deliver, subscription, task, withSettings } from "../support/subscribing.ts";

let here: TestService;
let receiver: Receiver;
const { logger, lines } = memoryLog("info");

beforeAll(async () => {
  const made = await testService("2026-04-10T09:00:00Z");
  here = { ...made, service: { ...withSettings(made.service), log: logger } };
  receiver = await startReceiver();
  await put(here, subscription("traced", receiver.url));
  await deliver(here, "traced");
});
afterAll(async () => {
  await receiver.close();
  await here.close();
});

const asked = (requestId: string) => ({ ...here, service: causedBy(here.service, { requestId }) });
const told = () =>
  lines()
    .map((line) => JSON.parse(line) as { readonly msg: string })
    .filter(({ msg }) => msg.startsWith("an endpoint was"));

async function lastEntry(): Promise<string> {
  const [row] = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ entry: string }>(
      "select entry from audit_pending where tenant_id = $1 and entry like '%Subscription/traced%' order by id desc limit 1",
      [session.tenantId],
    ),
  );
  return row?.entry ?? "";
}

test("the line of a delivery names the requests that wrote what it told of", async () => {
  await put(asked("ward-7-4711"), task("a"), task("b"));
  await put(asked("ward-7-4712"), task("c"));
  await put(here, task("of-a-job"));
  await deliver(here, "traced");
  expect(told().at(-1)).toMatchObject({
    msg: "an endpoint was told",
    subscriptionId: "traced",
    events: [1, 2, 3, 4],
    reqIds: ["ward-7-4711", "ward-7-4712"],
  });
});

test("so does that of a try that failed, and the entry in the trail where it was one request", async () => {
  receiver.answer = () => 500;
  await put(asked("ward-7-4713"), task("d"));
  await deliver(here, "traced");
  expect(told().at(-1)).toMatchObject({ msg: "an endpoint was not told", failures: 1, reqIds: ["ward-7-4713"] });
  expect(await lastEntry()).toContain("ward-7-4713");
});
