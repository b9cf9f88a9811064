import { Hl7Message } from "@medplum/core";
import type { Patient } from "@medplum/fhirtypes";
import { Hl7Client } from "@medplum/hl7";
import { Client as OtherClient, Message as OtherMessage } from "node-hl7-client";
import { afterAll, afterEach, beforeAll, describe, expect, test } from "vitest";
import { framed } from "../../src/mllp/frames.ts";
import { readInTenant } from "../../src/store/database.ts";
import { adt, answered, message, messenger, mrn, msh, pid } from "../support/messages.ts";
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
const clients: Hl7Client[] = [];
afterEach(async () => {
  for (const client of clients.splice(0)) await client.close();
});

const person = (number: string) => pid({ 3: mrn(number), 5: "Harker^Ada", 7: "19710304" });
const register = (id: string, number: string) => adt("A28", id, "20260610100000", person(number));
const carriers = async (number: string) =>
  (await messenger(made).all<Patient>("Patient")).filter((one) =>
    one.identifier?.some(({ value }) => value === number),
  );

describe("a sender of another make", () => {
  test("is acknowledged", async () => {
    const client = new Hl7Client({ host: "127.0.0.1", port: listener.port });
    clients.push(client);
    const answer = await client.sendAndWait(Hl7Message.parse(register("M-1", "5001").trimEnd()));
    expect(answer.getSegment("MSA")?.getComponent(1, 1)).toBe("AA");
    expect(answer.getSegment("MSA")?.getComponent(2, 1)).toBe("M-1");
    expect(await carriers("5001")).toHaveLength(1);
  });

  test("of a second library is acknowledged", async () => {
    const client = new OtherClient({ host: "127.0.0.1", version: "2.5.1" });
    const answer = await new Promise<string>((resolve, reject) => {
      const connection = client.createConnection({ port: listener.port, version: "2.5.1" }, (response) => {
        resolve(String(response.getMessage().get("MSA.1")));
        return connection.close();
      });
      connection.on("error", reject);
      connection.once("connect", () => {
        connection.sendMessage(new OtherMessage({ text: register("M-3", "5003").trimEnd() })).catch(reject);
      });
    });
    expect(answer).toBe("AA");
    expect(await carriers("5003")).toHaveLength(1);
  });

  test("reads why its message was refused", async () => {
    const client = new Hl7Client({ host: "127.0.0.1", port: listener.port });
    clients.push(client);
    const answer = await client.sendAndWait(
      Hl7Message.parse(adt("A99", "M-2", "20260610100000", person("5002")).trimEnd()),
    );
    expect(answer.getSegment("MSA")?.getComponent(1, 1)).toBe("AR");
    expect(answer.getSegment("ERR")?.getComponent(3, 1)).toBe("201");
    expect(answer.getSegment("ERR")?.getComponent(2, 1)).toBe("MSH");
  });
});

describe("on one connection", () => {
  test("two messages in one chunk are answered in their order", async () => {
    const sender = await rawSender(listener.port);
    sender.write(
      Buffer.concat([framed(Buffer.from(register("C-1", "5010"))), framed(Buffer.from(register("C-2", "5011")))]),
    );
    expect(answered(await sender.next()).controlId).toBe("C-1");
    expect(answered(await sender.next()).controlId).toBe("C-2");
    sender.socket.destroy();
  });

  test("both acknowledgements of the enhanced mode come, the one of the door first", async () => {
    const sender = await rawSender(listener.port);
    sender.send(message(msh("ADT^A28", "C-3", "20260610100000", { 15: "AL", 16: "AL" }), person("5012")));
    expect([answered(await sender.next()).code, answered(await sender.next()).code]).toEqual(["CA", "AA"]);
    sender.socket.destroy();
  });

  test("a message whose acknowledgement was lost is sent again and taken once", async () => {
    const text = register("C-4", "5013");
    const lost = await rawSender(listener.port);
    lost.send(text);
    await lost.next();
    lost.socket.destroy();
    const again = await rawSender(listener.port);
    again.send(text);
    expect(answered(await again.next()).code).toBe("AA");
    expect((await carriers("5013")).map(({ meta }) => meta?.versionId)).toEqual(["1"]);
    again.socket.destroy();
  });

  test("a sender that has said all and closes its side is answered", async () => {
    const sender = await rawSender(listener.port);
    sender.send(register("C-8", "5017"));
    sender.socket.end();
    expect(answered(await sender.next()).code).toBe("AA");
    await sender.closed;
  });

  test("a message that is cut leaves nothing behind, and the next connection is served", async () => {
    const text = register("C-5", "5014");
    const cut = await rawSender(listener.port);
    cut.write(framed(Buffer.from(text)).subarray(0, 60));
    cut.socket.destroy();
    await cut.closed;
    const whole = await rawSender(listener.port);
    whole.send(text);
    expect(answered(await whole.next()).code).toBe("AA");
    expect(await carriers("5014")).toHaveLength(1);
    whole.socket.destroy();
  });

  test("Latin-1 is read and answered as Latin-1", async () => {
    const sender = await rawSender(listener.port);
    const text = message(
      msh("ADT^A28", "C-6", "20260610100000", { 18: "8859/1" }),
      pid({ 3: mrn("5015"), 5: "Müller^Zoë" }),
    );
    sender.write(framed(Buffer.from(text, "latin1")));
    expect(answered(await sender.next()).code).toBe("AA");
    expect((await carriers("5015"))[0]?.name?.[0]).toMatchObject({ family: "Müller", given: ["Zoë"] });
    sender.socket.destroy();
  });

  test("bytes that are not of the set that MSH-18 names are refused", async () => {
    const sender = await rawSender(listener.port);
    const text = message(
      msh("ADT^A28", "C-7", "20260610100000", { 18: "UNICODE UTF-8" }),
      pid({ 3: mrn("5016"), 5: "Müller^Zoë" }),
    );
    sender.write(framed(Buffer.from(text, "latin1")));
    const told = answered(await sender.next());
    expect([told.code, told.errors.join()]).toEqual(["AE", expect.stringContaining("UTF-8")]);
    expect(await carriers("5016")).toEqual([]);
    sender.socket.destroy();
  });
});

describe("the listener", () => {
  test("answers what is no message, and goes on", async () => {
    const sender = await rawSender(listener.port);
    sender.send("hello");
    expect(answered(await sender.next()).code).toBe("AR");
    sender.send(register("L-1", "5020"));
    expect(answered(await sender.next()).code).toBe("AA");
    sender.socket.destroy();
  });

  test("closes on whoever does not speak MLLP", async () => {
    const sender = await rawSender(listener.port);
    sender.write("GET / HTTP/1.1\r\n\r\n");
    await sender.closed;
    expect(await sender.next()).toBeUndefined();
  });

  test("tells that a frame is too long, and closes", async () => {
    const sender = await rawSender(listener.port);
    sender.write(`\x0bMSH|${"x".repeat(150_000)}`);
    expect(answered(await sender.next()).errors.join()).toContain("longer than 100000 bytes");
    await sender.closed;
  });

  test("refuses a sender that nobody configured, and keeps nothing of it", async () => {
    const sender = await rawSender(listener.port);
    sender.send(register("L-2", "5021").replace("NORTHMOOR|TIDEGATE", "ELSEWHERE|TIDEGATE"));
    expect(answered(await sender.next()).code).toBe("AR");
    expect(await carriers("5021")).toEqual([]);
    sender.socket.destroy();
  });

  test("closes a connection that is idle, and one whose frame never ends", async () => {
    const impatient = await testListener(made, { idleMs: 100, frameMs: 100 });
    const idle = await rawSender(impatient.port);
    await idle.closed;
    const slow = await rawSender(impatient.port);
    const trickle = setInterval(() => slow.write("x"), 20);
    slow.write("\x0bMSH|");
    await slow.closed;
    clearInterval(trickle);
    await impatient.close();
  });

  test("lets in no more connections than it may", async () => {
    const narrow = await testListener(made, { maxConnections: 1 });
    const first = await rawSender(narrow.port);
    first.send(register("L-3", "5022"));
    await first.next();
    const second = await rawSender(narrow.port);
    await second.closed;
    first.socket.destroy();
    await narrow.close();
  });

  test("finishes the message that is on its way when it closes", async () => {
    const closing = await testListener(made);
    const sender = await rawSender(closing.port);
    sender.send(register("L-4", "5023"));
    await new Promise((resolve) => setTimeout(resolve, 15));
    await closing.close();
    await sender.closed;
    const answer = await sender.next();
    expect([undefined, "AA"]).toContain(answer === undefined ? undefined : answered(answer).code);
    // Either it was begun, finished and answered, or it was never begun.
    expect((await carriers("5023")).length).toBe(answer === undefined ? 0 : 1);
  });

  test("gives no answer when it fails itself, keeps nothing half done, and takes the message when it comes again", async () => {
    const state = { fails: false, ids: 0 };
    const newId = () => {
      state.ids += 1;
      // The first is of the entry in the trail, the second of the record that is being made.
      if (state.fails && state.ids > 1) throw new Error("planted");
      return made.service.newId();
    };
    const failing = await testListener({ ...made, service: { ...made.service, newId } });
    const text = register("L-6", "5025");
    Object.assign(state, { fails: true, ids: 0 });
    const first = await rawSender(failing.port);
    first.send(text);
    expect(await first.next()).toBeUndefined();
    await first.closed;
    expect(await carriers("5025")).toEqual([]);
    state.fails = false;
    const again = await rawSender(failing.port);
    again.send(text);
    expect(answered(await again.next()).code).toBe("AA");
    expect(await carriers("5025")).toHaveLength(1);
    again.socket.destroy();
    await failing.close();
  });

  test("leaves the client's mark in the trail", async () => {
    const marked = await testListener(made);
    const sender = await rawSender(marked.port);
    sender.send(register("L-5", "5024"));
    await sender.next();
    sender.socket.destroy();
    await marked.close();
    const [patient] = await carriers("5024");
    const trail = await readInTenant(made.database, made.tenantId, (session) =>
      session.query<{ client_id: string; patient_ids: string[]; route: string }>(
        "select client_id, patient_ids, route from audit_entry where tenant_id = $1 and client_id = $2 and $3 = any(patient_ids)",
        [session.tenantId, marked.clientId, patient?.id],
      ),
    );
    expect(trail).toEqual([{ client_id: marked.clientId, patient_ids: [patient?.id], route: "MLLP" }]);
  });
});
