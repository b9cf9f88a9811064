import { afterAll, beforeAll, expect, test } from "vitest";
import { replayMessagesCommand } from "../src/replay-messages.ts";
import { adt, messenger, mrn, pid, testSettings } from "./support/messages.ts";
import { type TestService, testService } from "./support/service.ts";

let made: TestService;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
});
afterAll(() => made.close());

const call = async (...args: string[]) => {
  const said: string[] = [];
  await replayMessagesCommand(made.service, { settings: testSettings }, args, (text) => said.push(text));
  return said;
};

test("says what became of each message that waited, and names nobody", async () => {
  const post = messenger(made);
  await post.send(adt("A28", "1", "20260610100000", pid({ 5: "Harker^Ada" })));
  made.clock.at += 1_000;
  const early = await post.send(adt("A28", "2", "20260610133000", pid({ 3: mrn("1"), 5: "Sorrel^Bea" })));
  expect(early.status).toBe("refused");
  made.clock.at += 3_600_000;
  const said = await call("--tenant", "test");
  expect(said).toHaveLength(3);
  expect(said[0]).toMatch(/^message-[0-9a-f]{40} {2}ADT\^A28 {2}refused {2}PID-3 /);
  expect(said[1]).toMatch(/^message-[0-9a-f]{40} {2}ADT\^A28 {2}accepted$/);
  expect(said[2]).toBe("2 tried, 1 taken in.");
  expect(said.join()).not.toMatch(/Harker|Sorrel/);
});

test("says how it is called, and that there is no such tenant", async () => {
  await expect(call()).rejects.toThrow("replay-messages --tenant demo");
  await expect(call("--tenant", "nobody")).rejects.toThrow('no tenant "nobody"');
});
