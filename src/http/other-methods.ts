import type { FastifyInstance } from "fastify";
import { sendRefusals } from "./errors.ts";

const methods = ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"] as const;

type Method = (typeof methods)[number];

/**
 * Addresses that exist answer every other method with 405 and what they allow, instead of 404 (RFC 9110, 15.5.6).
 * Refused before the body is read: what it is made of does not matter here.
 */
export function refuseOtherMethods(app: FastifyInstance, allowed: Readonly<Record<string, readonly Method[]>>): void {
  for (const [url, taken] of Object.entries(allowed)) {
    // Whatever answers GET answers HEAD as well.
    const allow = taken.flatMap((method) => (method === "GET" ? ["GET", "HEAD"] : [method])).join(", ");
    app.route({
      url,
      method: methods.filter((method) => !taken.includes(method)),
      schema: { hide: true },
      onRequest: async (request, reply) => {
        reply.header("Allow", allow);
        const detail = `${request.method} is not supported at this address. It takes ${allow}.`;
        return sendRefusals(reply, [{ kind: "not-supported", detail, status: 405 }]);
      },
      handler: () => {
        throw new Error("a method that is refused reached its handler");
      },
    });
  }
}
