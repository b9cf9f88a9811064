import { connect } from "node:net";

/** What a server did with bytes: what it sent back until it hung up, and after how long. */
export interface Exchanged {
  readonly received: string;
  readonly afterMs: number;
}

/** Sends texts one after another, with a pause between, and waits until the other side hangs up. */
export function exchangeWith(port: number, texts: Iterable<string>, pauseMs = 0): Promise<Exchanged> {
  return new Promise((resolve, reject) => {
    const startedMs = performance.now();
    const socket = connect(port, "127.0.0.1");
    let received = "";
    let timer: NodeJS.Timeout | undefined;
    const left = texts[Symbol.iterator]();
    const sendNext = () => {
      const { value, done } = left.next();
      if (done || socket.destroyed) return;
      socket.write(value, "latin1");
      timer = setTimeout(sendNext, pauseMs);
    };
    socket.setTimeout(15_000, () => socket.destroy(new Error(`no end after: ${received.slice(0, 500)}`)));
    socket.on("connect", sendNext);
    socket.on("data", (chunk) => {
      received += chunk.toString("latin1");
    });
    socket.on("error", (error: Error & { code?: string }) => {
      // A server that hangs up on what it does not want to hear resets what is still on its way.
      if (error.code !== "ECONNRESET" && error.code !== "EPIPE") reject(error);
    });
    socket.on("close", () => {
      clearTimeout(timer);
      resolve({ received, afterMs: performance.now() - startedMs });
    });
  });
}
