import { connect } from "node:tls";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { framed, frameReader } from "../../src/mllp/frames.ts";
import { adt, answered, mrn, pid } from "../support/messages.ts";
import { testListener } from "../support/mllp.ts";
import { selfSigned } from "../support/self-signed.ts";
import { type TestService, testService } from "../support/service.ts";

const server = selfSigned();
const sender = selfSigned();
const stranger = selfSigned();
let made: TestService;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
});
afterAll(() => made.close());

const text = (id: string) => adt("A28", id, "20260610100000", pid({ 3: mrn(id), 5: "Harker^Ada" }));

/** The code of the acknowledgement, or why there was none. */
function send(port: number, id: string, shown?: { certificate: string; key: string }): Promise<string> {
  return new Promise((resolve) => {
    const socket = connect({
      port,
      host: "127.0.0.1",
      servername: "localhost",
      ca: server.certificate,
      ...(shown === undefined ? {} : { cert: shown.certificate, key: shown.key }),
    });
    const reader = frameReader(100_000);
    socket.on("secureConnect", () => socket.write(framed(Buffer.from(text(id)))));
    socket.on("data", (chunk: Buffer) => {
      const [answer] = reader.push(chunk).messages;
      if (answer === undefined) return;
      resolve(answered(answer.toString()).code);
      socket.destroy();
    });
    socket.on("error", (error: Error & { code?: string }) => resolve(error.code ?? error.message));
    socket.on("close", () => resolve("closed"));
  });
}

describe("MLLP over TLS", () => {
  test("is spoken with the service's certificate", async () => {
    const listener = await testListener(made, { tls: server });
    expect(await send(listener.port, "T-1")).toBe("AA");
    await listener.close();
  });

  test("lets in only senders whose certificate is vouched for, where they are asked for one", async () => {
    const tls = { ...server, clientCa: sender.certificate };
    const listener = await testListener(made, { tls, commonName: "localhost" });
    expect(await send(listener.port, "T-2", sender)).toBe("AA");
    expect(await send(listener.port, "T-3")).not.toMatch(/^A/);
    expect(await send(listener.port, "T-4", stranger)).not.toMatch(/^A/);
    await listener.close();
  });

  test("refuses a sender whose certificate bears another name than the one configured", async () => {
    const tls = { ...server, clientCa: sender.certificate };
    const listener = await testListener(made, { tls, commonName: "pas.northmoor.example" });
    expect(await send(listener.port, "T-5", sender)).toBe("AR");
    await listener.close();
  });

  test("a name in a certificate that nobody asked for opens nothing", async () => {
    const listener = await testListener(made, { tls: server, commonName: "localhost" });
    expect(await send(listener.port, "T-6", stranger)).toBe("AR");
    await listener.close();
  });
});
