import { afterEach, beforeEach, expect, test } from "vitest";
import { erasePerson } from "../../src/flows/erase-person.ts";
import { messageBytes, messages } from "../../src/flows/messages.ts";
import { messageContentType, receiveMessage } from "../../src/flows/receive-message.ts";
import { type Database, openOwnerDatabase } from "../../src/store/database.ts";
import { adt, messenger, mrn, pid, testSettings } from "../support/messages.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;
let owner: Database;

beforeEach(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  owner = openOwnerDatabase(here.connectionString);
});
afterEach(async () => {
  await owner.close();
  await here.close();
});

const about = (id: string, number: string, name: string) =>
  adt("A28", id, "20260610100000", pid({ 3: mrn(number), 5: name, 7: "19710304" }));

test("messages about an erased person go with their content, those of namesakes stay, and they do not come back", async () => {
  const post = messenger(here);
  const gone = about("E-1", "9001", "Quillfeather^Ada");
  const taken = await post.send(gone);
  // Nobody could tell whose this is, but it names the person.
  const unread = await post.send(about("E-2", "", "Quillfeather^Ada"));
  const other = await post.send(about("E-3", "9002", "Quillfeather^Bea"));
  const [patientId = ""] = taken.patientIds;
  const report = await erasePerson(here.service, owner, here.tenantId, {
    patientId,
    reason: "asked for",
    devices: "stay",
    mentions: "leave",
    mode: "erase",
  });
  expect(report.outcome).toBe("erased");
  const contentOf = async (messageId: string) => (await messageBytes(here.service, here.tenantId, messageId)).ok;
  expect([
    await contentOf(taken.messageId),
    await contentOf(unread.messageId),
    await contentOf(other.messageId),
  ]).toEqual([false, false, true]);
  const left = await messages(here.service, here.tenantId, { count: 50 });
  expect(left.flatMap(({ patientIds }) => patientIds)).toEqual(other.patientIds);
  const again = await receiveMessage(here.service, here.tenantId, testSettings, {
    bytes: Buffer.from(gone),
    clientId: "test.pas",
    contentType: messageContentType,
  });
  expect(again).toMatchObject({ ok: false, refusals: [{ status: 410 }] });
});
