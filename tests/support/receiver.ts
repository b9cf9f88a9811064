/** A real endpoint on this machine that keeps what it is told, and answers as a test wants it. */
import { once } from "node:events";
import { createServer, type IncomingHttpHeaders, type Server } from "node:http";

/** One request as it arrived. */
export interface Arrived {
  readonly method: string;
  readonly url: string;
  readonly headers: IncomingHttpHeaders;
  readonly body: string;
}

/** The endpoint; `answer` may be replaced at any time: a status, or nothing for no answer at all. */
export interface Receiver {
  readonly url: string;
  readonly arrived: Arrived[];
  answer: (arrived: Arrived) => number | undefined;
  close(): Promise<void>;
}

/** Listens on a port, any free one unless it is named. */
export async function startReceiver(port = 0): Promise<Receiver> {
  const arrived: Arrived[] = [];
  const receiver = { answer: (_: Arrived): number | undefined => 200 };
  const server: Server = createServer((request, reply) => {
    const chunks: Buffer[] = [];
    request.on("data", (chunk: Buffer) => chunks.push(chunk));
    request.on("end", () => {
      const one: Arrived = {
        method: request.method ?? "",
        url: request.url ?? "",
        headers: request.headers,
        body: Buffer.concat(chunks).toString("utf8"),
      };
      arrived.push(one);
      const status = receiver.answer(one);
      if (status !== undefined) reply.writeHead(status, { location: "http://127.0.0.1:1/elsewhere" }).end("ignored");
    });
  });
  server.listen(port, "127.0.0.1");
  await once(server, "listening");
  const address = server.address() as { port: number };
  return Object.assign(receiver, {
    url: `http://127.0.0.1:${address.port}/told`,
    arrived,
    close: async () => {
      server.closeAllConnections();
      server.close();
      await once(server, "close");
    },
  });
}
