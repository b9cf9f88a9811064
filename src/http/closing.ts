import type { FastifyInstance } from "fastify";
import { RefusedRequest } from "./errors.ts";

/**
 * How far a process is on its way out. "finishing": it is not ready any more, still answers whoever comes, and ends each
 * connection with its next answer. "closed": it sends away whoever comes, and finishes what is under way.
 */
export interface Closing {
  stage: "closed" | "finishing" | "open";
}

const detail =
  "This process is being stopped, and nothing of the request was done. Send it again: another one answers.";

/**
 * A connection that the server ends while a request is on its way leaves its client in doubt whether it was done. So nobody
 * is cut off: each is told in an answer that it was the last on its connection (RFC 9112, 9.6), and then that it must go elsewhere.
 */
export function tellOfClosing(app: FastifyInstance, closing: Closing): void {
  app.addHook("onRequest", async (request) => {
    if (closing.stage === "closed" && !request.url.startsWith("/health/")) {
      throw new RefusedRequest([{ kind: "exception", detail, status: 503 }]);
    }
  });
  app.addHook("onSend", async (_request, reply) => {
    if (closing.stage !== "open") reply.header("Connection", "close");
  });
}
