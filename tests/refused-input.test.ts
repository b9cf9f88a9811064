import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, expect, test } from "vitest";
import { identifierSystems } from "../src/fhir/terminology/canonical.ts";
import { recordUse } from "../src/flows/record-use.ts";
import { refusedInputCommand } from "../src/refused-input.ts";
import { adt, messenger, mrn, pid, testSettings } from "./support/messages.ts";
import { put, type TestService, testService } from "./support/service.ts";

let made: TestService;
let folder: string;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  folder = await mkdtemp(join(tmpdir(), "tidegate-refused-"));
});
afterAll(async () => {
  await made.close();
  await rm(folder, { recursive: true, force: true });
});

const call = async (...args: string[]) => {
  const [said, written]: [string[], Buffer[]] = [[], []];
  const say = (text: string) => void said.push(text);
  const write = (bytes: Uint8Array) => void written.push(Buffer.from(bytes));
  await refusedInputCommand(made.service, ["--tenant", "test", ...args], {
    settings: testSettings,
    maxBytes: 100_000,
    say,
    write,
  });
  return { said, written: Buffer.concat(written).toString("utf8") };
};

const wrong = adt("A28", "1", "20260610100000", pid({ 3: "4010232138^^^NHS^NH", 5: "Harker^Ada", 7: "19710304" }));
const upload = JSON.stringify({
  format: "tidegate-use-record",
  version: 1,
  device: { serialNumber: "STRANGER" },
  readAt: "2026-06-09T12:00:00Z",
  sessions: [{ sequenceNumber: 1, start: "2026-06-09T08:00:00Z", end: "2026-06-09T08:05:00Z", cyclesDelivered: 5 }],
});

test("lists uploads and messages in one queue, shows one, and takes it in when it was mended", async () => {
  const refused = await messenger(made).send(wrong);
  made.clock.at += 1_000;
  await recordUse(
    made.service,
    made.tenantId,
    { bytes: Buffer.from(upload), contentType: "application/json", contentEncoding: "identity" },
    { maxBytes: 100_000 },
  );
  const { said } = await call();
  expect(said).toEqual([
    `${refused.messageId}  2026-06-10T12:00:00.000Z  refused  invalid  1 tried`,
    expect.stringMatching(/^upload-[0-9a-f]{40} {2}2026-06-10T12:00:01.000Z {2}refused {2}unknown-device {2}1 tried$/),
    "2 wait.",
  ]);
  expect((await call("--show", refused.messageId)).written).toBe(wrong);

  const still = await call("--replay", refused.messageId);
  expect(still.said).toEqual([expect.stringContaining("ADT^A28  refused  PID-3[1] The number is no valid NHS number")]);
  const corrected = join(folder, "corrected.hl7");
  await writeFile(corrected, wrong.replace("4010232138", "4010232137"));
  expect((await call("--replay", refused.messageId, "--with", corrected)).said).toEqual([
    expect.stringMatching(/^message-[0-9a-f]{40} {2}ADT\^A28 {2}accepted$/),
  ]);

  await put(
    made,
    { resourceType: "Patient", id: "p" } as never,
    {
      resourceType: "Device",
      id: "d",
      identifier: [{ system: identifierSystems.deviceSerial, value: "STRANGER" }],
    } as never,
    {
      resourceType: "DeviceUseStatement",
      id: "u",
      status: "active",
      subject: { reference: "Patient/p" },
      device: { reference: "Device/d" },
      timingPeriod: { start: "2026-06-01" },
    } as never,
  );
  expect((await call("--replay", "all")).said).toEqual([
    expect.stringMatching(/^upload-[0-9a-f]{40} {2}use records {2}accepted$/),
    "1 tried, 1 taken in.",
  ]);
  expect((await call()).said).toEqual(["0 wait."]);
});

test("says how it is called, and what cannot be done", async () => {
  const bare = { settings: testSettings, maxBytes: 1, say: () => undefined, write: () => undefined };
  await expect(refusedInputCommand(made.service, [], bare)).rejects.toThrow("refused --tenant demo");
  await expect(refusedInputCommand(made.service, ["--tenant", "nobody"], bare)).rejects.toThrow('no tenant "nobody"');
  await expect(call("--show", "a", "--replay", "b")).rejects.toThrow("Call it as");
  await expect(call("--replay", `message-${"0".repeat(40)}`)).rejects.toThrow("was received here");
  await expect(call("--show", `upload-${"0".repeat(40)}`)).rejects.toThrow("was received here");
  await expect(call("--replay", "upload-1", "--with", "package.json")).rejects.toThrow("of its own");
});

test("what was taken in is not tried again", async () => {
  await messenger(made).send(adt("A28", "2", "20260610100000", pid({ 3: mrn("2"), 5: "Sorrel^Bea" })));
  expect((await call("--replay", "all")).said).toEqual(["0 tried, 0 taken in."]);
});
