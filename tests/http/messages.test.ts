import type { Patient } from "@medplum/fhirtypes";
import fc from "fast-check";
import { Client } from "pg";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { registerClient } from "../../src/flows/client.ts";
import { replayRefused } from "../../src/flows/messages.ts";
import { eui64System } from "../../src/flows/receive-observations.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { keyPair } from "../support/client.ts";
import { adt, answered, message, messenger, msh, pid, testSettings } from "../support/messages.ts";
import { put } from "../support/service.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z", { maxBodyBytes: 100_000 });
});
afterAll(() => here.close());

const send = (payload: string | Buffer, type = "application/hl7-v2", token = here.headers.authorization) =>
  here.app.inject({
    method: "POST",
    url: "/api/v1/hl7v2",
    headers: { authorization: token, "content-type": type },
    payload,
  });
const get = (url: string, token = here.headers.authorization) =>
  here.app.inject({ method: "GET", url, headers: { authorization: token } });
const replay = (id: string, payload?: string) =>
  here.app.inject({
    method: "POST",
    url: `/api/v1/messages/${id}/replay`,
    headers: {
      authorization: here.headers.authorization,
      ...(payload === undefined ? {} : { "content-type": "application/hl7-v2" }),
    },
    ...(payload === undefined ? {} : { payload }),
  });
const person = (number: string, birthDate = "19710304") =>
  pid({ 3: `${number}^^^CLINIC`, 5: "Harker^Ada", 7: birthDate });

/** Makes every transaction that takes a message in lose against another one, as PostgreSQL tells it (40P01). */
async function losingOnes(work: () => Promise<void>): Promise<void> {
  const owner = new Client({ connectionString: here.connectionString });
  await owner.connect();
  await owner.query(`create function lose() returns trigger language plpgsql as
    $$ begin raise exception 'planted' using errcode = '40P01'; end $$`);
  await owner.query(`create trigger lose before update on received_upload for each row
    when (new.status = 'accepted') execute function lose()`);
  await work();
  await owner.query("drop trigger lose on received_upload; drop function lose()");
  await owner.end();
}

describe("the HTTP door for messages", () => {
  test("asks for the same message again where it lost against another one, and takes it then", async () => {
    const text = adt("A28", "H-lost", "20260610100000", person("lost"));
    await losingOnes(async () => {
      const answer = await send(text);
      expect(answer.statusCode).toBe(503);
      expect(answer.headers["retry-after"]).toBeDefined();
      expect(answer.body).toContain("no fault of its own");
    });
    expect(answered((await send(text)).body).code).toBe("AA");
  });

  test.each(["application/hl7-v2", "x-application/hl7-v2+er7", "application/hl7-v2; charset=utf-8"])(
    "takes %s and answers with the acknowledgement",
    async (type) => {
      const answer = await send(adt("A28", `H-${type}`, "20260610100000", person("1")), type);
      expect(answer.statusCode).toBe(200);
      expect(answer.headers["content-type"]).toMatch(/^x-application\/hl7-v2\+er7/);
      expect(answered(answer.body)).toMatchObject({ code: "AA", controlId: `H-${type}` });
    },
  );

  test("answers 422 with the acknowledgement that says why", async () => {
    const answer = await send(adt("A28", "H-2", "20260610100000", pid({ 5: "A^B" })));
    expect([answer.statusCode, answered(answer.body).code]).toEqual([422, "AE"]);
    expect(answer.headers["x-message-id"]).toMatch(/^message-[0-9a-f]{40}$/);
  });

  test("answers 204 where no acknowledgement is wanted", async () => {
    const text = message(msh("ADT^A28", "H-3", "20260610100000", { 15: "NE", 16: "NE" }), person("2"));
    expect((await send(text)).statusCode).toBe(204);
  });

  test.each([
    ["another content type", "{}", "application/json", 415],
    ["an empty body", "", "application/hl7-v2", 400],
    ["a body that is too long", "x".repeat(100_001), "application/hl7-v2", 413],
  ])("refuses %s", async (_what, payload, type, status) => {
    expect((await send(payload, type)).statusCode).toBe(status);
  });

  test("answers whatever bytes come, and never by a failure of its own", async () => {
    const whole = Buffer.from(adt("A28", "H-9", "20260610100000", person("5")));
    const changes = fc.array(fc.tuple(fc.nat({ max: whole.length - 1 }), fc.integer({ min: 0, max: 255 })), {
      minLength: 1,
      maxLength: 6,
    });
    await fc.assert(
      fc.asyncProperty(changes, async (exchanged) => {
        const bytes = Buffer.from(whole);
        for (const [at, byte] of exchanged) bytes[at] = byte;
        expect((await send(bytes)).statusCode).toBeLessThan(500);
      }),
      { numRuns: 100, examples: [[[[12, 0]]], [[[90, 0]]], [[[3, 0]]], [[[9, 0xff]]]] },
    );
  });

  test("refuses a batch with a text that says what to do", async () => {
    const answer = await send(
      `FHS|^~\\&|PAS\rBHS|^~\\&|PAS\r${adt("A28", "H-4", "20260610100000", person("3"))}BTS|1\rFTS|1\r`,
    );
    expect([answer.statusCode, answered(answer.body).code]).toEqual([422, "AR"]);
    expect(answer.body).toContain("Send each message of it by itself");
  });

  test("asks for a token with the scope", async () => {
    const { jwk } = await keyPair();
    const made = await registerClient(here.service, here.tenantId, {
      name: "Reader",
      role: "dashboard",
      jwks: { keys: [jwk] },
    });
    expect(made.ok && made.value.scopes.some((one) => one.includes("messages"))).toBe(false);
    expect(
      (await send(adt("A28", "H-5", "20260610100000", person("4")), "application/hl7-v2", "Bearer none")).statusCode,
    ).toBe(401);
  });
});

describe("messages that were refused", () => {
  test("are listed, shown and kept byte for byte", async () => {
    const text = adt("A28", "L-1", "20260610100000", pid({ 5: "A^B" }), "ZPI|kept|as it came");
    const id = String((await send(text)).headers["x-message-id"]);
    const list = (await get("/api/v1/messages?state=refused")).json() as { messages: { messageId: string }[] };
    expect(list.messages.map(({ messageId }) => messageId)).toContain(id);
    expect((await get(`/api/v1/messages/${id}`)).json()).toMatchObject({
      controlId: "L-1",
      messageCode: "ADT",
      triggerEvent: "A28",
      status: "refused",
      report: { refusals: [{ at: "PID-3" }] },
    });
    expect((await get(`/api/v1/messages/${id}/content`)).body).toBe(text);
    // One queue of what was refused: the list of uploads shows it too.
    const uploads = (await get("/api/v1/uploads?status=refused")).json() as { uploads: { uploadId: string }[] };
    expect(uploads.uploads.map(({ uploadId }) => uploadId)).toContain(id);
  });

  test("come in by a replay once what stood in their way is mended", async () => {
    const obx = [
      "OBX",
      "1",
      "NM",
      "1^x^L",
      "",
      "97",
      "",
      "",
      "",
      "",
      "",
      "F",
      "",
      "",
      "20260610100000+0000",
      "",
      "",
      "",
      "00AA^^^EUI-64",
    ].join("|");
    const id = String(
      (await send(message(msh("ORU^R01", "L-2", "20260610100000", { 12: "2.6" }), "OBR|1", obx))).headers[
        "x-message-id"
      ],
    );
    expect((await get(`/api/v1/messages/${id}`)).json()).toMatchObject({ reason: "unknown-device" });
    await put(
      here,
      { resourceType: "Patient", id: "owner" } as never,
      { resourceType: "Device", id: "m", identifier: [{ system: eui64System, value: "00AA" }] } as never,
      {
        resourceType: "DeviceUseStatement",
        id: "u",
        status: "active",
        subject: { reference: "Patient/owner" },
        device: { reference: "Device/m" },
        timingPeriod: { start: "2026-01-01" },
      } as never,
    );
    const answer = await replay(id);
    expect([answer.statusCode, answer.json()]).toMatchObject([
      200,
      { status: "accepted", patients: [{ patientId: "owner" }] },
    ]);
    const found = (await get("/fhir/Observation?device=m")).json() as { entry: unknown[] };
    expect(found.entry).toHaveLength(1);
  });

  test("come in with a corrected body, and both stay", async () => {
    const wrong = adt("A28", "L-3", "20260610100000", pid({ 3: "9^^^CLINIC", 5: "Reed^Fay", 7: "1971-03-04" }));
    const id = String((await send(wrong)).headers["x-message-id"]);
    const answer = await replay(id, wrong.replace("1971-03-04", "19710304"));
    expect(answer.json()).toMatchObject({ status: "accepted" });
    const corrected = (answer.json() as { messageId: string }).messageId;
    expect((await get(`/api/v1/messages/${corrected}`)).json()).toMatchObject({ corrects: id, controlId: "L-3" });
    expect((await get(`/api/v1/messages/${id}`)).json()).toMatchObject({
      reason: "corrected",
      report: { correctedBy: corrected },
    });
    const waiting = (await get("/api/v1/messages?state=refused&count=200")).json() as {
      messages: { messageId: string }[];
    };
    expect(waiting.messages.map(({ messageId }) => messageId)).not.toContain(id);
    expect((await replay(corrected, wrong)).statusCode).toBe(409);
  });

  test("are all tried again by the command, the oldest first", async () => {
    const tried: string[] = [];
    const count = await replayRefused(here.service, here.tenantId, testSettings, ({ messageId }) =>
      tried.push(messageId),
    );
    expect(count.tried).toBe(tried.length);
    expect(count.tried).toBeGreaterThan(1);
  });

  test("of nobody here are not found", async () => {
    expect((await get(`/api/v1/messages/message-${"0".repeat(40)}`)).statusCode).toBe(404);
    expect((await replay(`message-${"0".repeat(40)}`)).statusCode).toBe(404);
  });
});

test("pages of the list follow each other", async () => {
  const first = (await get("/api/v1/messages?count=2")).json() as { messages: { messageId: string }[]; next: string };
  const second = (
    await get(`/api/v1/messages?count=2&cursor=${encodeURIComponent(first.next)}`)
  ).json() as typeof first;
  const ids = [...first.messages, ...second.messages].map(({ messageId }) => messageId);
  expect(new Set(ids).size).toBe(4);
  expect((await messenger(here).all<Patient>("Patient")).length).toBeGreaterThan(0);
});
