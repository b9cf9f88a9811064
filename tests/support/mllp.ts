import { connect, type Socket } from "node:net";
import { registerClient } from "../../src/flows/client.ts";
import type { MessageSettings } from "../../src/flows/message-settings.ts";
import { openTrail } from "../../src/flows/trail.ts";
import { framed, frameReader } from "../../src/mllp/frames.ts";
import { listenMllp, type MllpListener, type MllpOptions } from "../../src/mllp/listener.ts";
import { keyPair } from "./client.ts";
import { testSettings } from "./messages.ts";
import type { TestService } from "./service.ts";

/** A listener of a test service with one registered sender: facility NORTHMOOR, any application. */
export interface TestListener extends MllpListener {
  readonly clientId: string;
  /** Writes the trail down. */
  flush(): Promise<void>;
}

/** Opens it on a free port of this machine. */
export async function testListener(
  test: TestService,
  options: Partial<MllpOptions> & { readonly settings?: MessageSettings; readonly commonName?: string } = {},
): Promise<TestListener> {
  const { jwk } = await keyPair();
  const wanted = { name: "Interface of the tests", role: "integration", jwks: { keys: [jwk] } };
  const made = await registerClient(test.service, test.tenantId, wanted);
  if (!made.ok) throw new Error(JSON.stringify(made.refusals));
  const { clientId } = made.value;
  const { settings = testSettings, commonName, ...rest } = options;
  const trail = openTrail(test.service, "mllp-test");
  const sender = {
    facility: "NORTHMOOR",
    application: "*",
    clientId,
    ...(commonName === undefined ? {} : { commonName }),
  };
  const listener = await listenMllp(
    { service: test.service, trail, settings, senders: [sender] },
    {
      host: "127.0.0.1",
      port: 0,
      maxConnections: 10,
      maxFrameBytes: 100_000,
      idleMs: 60_000,
      frameMs: 60_000,
      ...rest,
    },
  );
  return {
    ...listener,
    clientId,
    flush: () => trail.close(),
    close: async () => {
      await listener.close();
      await trail.close();
    },
  };
}

/** A sender that writes what it is told to and nothing else. */
export interface RawSender {
  readonly socket: Socket;
  write(bytes: Uint8Array | string): void;
  send(message: string): void;
  /** The next answer; undefined where the connection ends first. */
  next(): Promise<string | undefined>;
  /** Resolves when the connection is closed. */
  readonly closed: Promise<void>;
}

/** Connects to a listener of this machine. */
export async function rawSender(port: number): Promise<RawSender> {
  const socket = connect(port, "127.0.0.1");
  const reader = frameReader(1_000_000);
  const answers: string[] = [];
  const waiting: ((answer: string | undefined) => void)[] = [];
  let over = false;
  socket.on("data", (chunk: Buffer) => {
    for (const answer of reader.push(chunk).messages) {
      const text = answer.toString("utf8");
      const waiter = waiting.shift();
      if (waiter === undefined) answers.push(text);
      else waiter(text);
    }
  });
  socket.on("error", () => undefined);
  const closed = new Promise<void>((resolve) => socket.once("close", () => resolve()));
  void closed.then(() => {
    over = true;
    for (const waiter of waiting.splice(0)) waiter(undefined);
  });
  await new Promise<void>((resolve) => socket.once("connect", () => resolve()));
  return {
    socket,
    closed,
    write: (bytes) => socket.write(bytes),
    send: (message) => socket.write(framed(Buffer.from(message, "utf8"))),
    next: async () => {
      const known = answers.shift();
      if (known !== undefined || over) return known;
      return new Promise((resolve) => waiting.push(resolve));
    },
  };
}
