import type { Socket } from "node:net";
import { Duplex } from "node:stream";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { openTrail } from "../../src/flows/trail.ts";
import { openConnection } from "../../src/mllp/connection.ts";
import { framed } from "../../src/mllp/frames.ts";
import { adt, answered, message, mrn, msh, pid, testSettings } from "../support/messages.ts";
import { rawSender, type TestListener, testListener } from "../support/mllp.ts";
import { type TestService, testService } from "../support/service.ts";

let made: TestService;
let listener: TestListener;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  listener = await testListener(made);
});
afterAll(async () => {
  await listener.close();
  await made.close();
});

describe("a connection", () => {
  // HL7 v2.5.1, 2.9.3: the initiating system may send an accept acknowledgement for the application's; that one is not answered.
  test("answers no acknowledgement, and goes on", async () => {
    const sender = await rawSender(listener.port);
    for (const type of ["ACK", "ACK^A28^ACK", "MCF"])
      sender.send(message(msh(type, `K-${type}`, "20260610100000"), "MSA|CA|whatever"));
    sender.send(adt("A28", "K-1", "20260610100000", pid({ 3: mrn("1"), 5: "Harker^Ada" })));
    expect(answered(await sender.next())).toMatchObject({ code: "AA", controlId: "K-1" });
    sender.socket.destroy();
  });

  test("ends when its sender takes no answer, so that it is not waited for at the end", async () => {
    // A socket whose other end reads nothing: no write of it is ever done.
    const socket = Object.assign(new Duplex({ read: () => undefined, write: () => undefined }), {
      setTimeout: () => undefined,
      destroySoon: () => socket.destroy(),
    });
    const doors = { service: made.service, trail: openTrail(made.service, "t"), settings: testSettings, senders: [] };
    const limits = { maxFrameBytes: 1_000, idleMs: 60_000, frameMs: 50 };
    const connection = openConnection(socket as unknown as Socket, doors, limits);
    socket.push(framed(Buffer.from(adt("A28", "K-2", "20260610100000"))));
    await connection.done;
    expect(socket.destroyed).toBe(true);
  });
});
