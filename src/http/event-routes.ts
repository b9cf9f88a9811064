import { PassThrough } from "node:stream";
import type { FastifyInstance } from "fastify";
import { z } from "zod";
import { topics } from "../fhir/subscription-topics.ts";
import { defaultStreamSettings, eventStreams, type StreamOut } from "../flows/event-streams.ts";
import { newSecret } from "../flows/subscription-answers.ts";
import { grantedStill } from "./access.ts";
import { type ApiInstance, outcomeSchema } from "./api-schemas.ts";
import { refuseWriting } from "./break-glass.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered } from "./fhir-answer.ts";

const codes = topics.map(({ code }) => code);

const eventsQuery = z.strictObject({
  topic: z
    .string()
    .max(200)
    .optional()
    .describe(`Some of ${codes.join(", ")}, separated by commas; all of them when left out.`),
});

/** Methods of each address below. */
export const eventAddresses = { "/events": ["GET"], "/subscriptions/:subscriptionId/secret": ["POST"] } as const;

/** Events as they happen, for dashboards; and the key of a Subscription's signatures. */
export function eventRoutes(plain: FastifyInstance, app: ApiInstance, doors: Doors): void {
  streamRoute(plain, app, doors);
  app.post(
    "/subscriptions/:subscriptionId/secret",
    {
      schema: {
        summary: "A new key for the signatures of a Subscription",
        description:
          "Shown once: the key before is over at once. For the client alone that wrote the Subscription. The key of HMAC-SHA256 is the 32 bytes that `secret` stands for in base64url.",
        tags: ["Notifications"],
        params: z.object({ subscriptionId: z.string().regex(/^[A-Za-z0-9.-]{1,64}$/) }),
        response: { 200: z.object({ secret: z.string() }), "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const { grant, service, tenantId, params } = request;
      if (grant.breakGlass !== undefined) refuseWriting();
      const secret = answered(await newSecret(service, tenantId, grant.clientId, params.subscriptionId));
      reply.header("Cache-Control", "no-store");
      return { secret };
    },
  );
}

function streamRoute(plain: FastifyInstance, app: ApiInstance, doors: Doors): void {
  const settings = doors.streams ?? defaultStreamSettings;
  const streams = eventStreams(doors.service, settings, () => (doors.closing?.stage ?? "open") !== "open");
  plain.addHook("preClose", () => streams.close());
  app.get(
    "/events",
    {
      exposeHeadRoute: false,
      schema: {
        summary: "Events as they happen (text/event-stream)",
        description:
          "Server-Sent Events: each says which topic, which version of which resource and when, and nothing of what stands in it. Send Last-Event-ID to go on where you were; `gap` says between which numbers something may be missing.",
        tags: ["Notifications"],
        querystring: eventsQuery,
      },
    },
    async (request, reply) => {
      const asked = request.query.topic?.split(",").map((one) => one.trim());
      const wanted = asked === undefined ? topics : topics.filter(({ code }) => asked.includes(code));
      const unknown = asked?.find((one) => !codes.includes(one));
      if (unknown !== undefined) {
        const detail = `There is no topic "${unknown.slice(0, 64)}". The topics are ${codes.join(", ")}.`;
        throw new RefusedRequest([{ kind: "value", detail, at: "topic", status: 400 }]);
      }
      const afterNumber = lastEventId(request.headers["last-event-id"]);
      const listener = {
        tenantId: request.tenantId,
        clientId: request.grant.clientId,
        topics: wanted,
        ...(afterNumber === undefined ? {} : { afterNumber }),
        stillGranted: () => grantedStill(request, doors),
      };
      const stream = new PassThrough();
      if (!(await streams.open(listener, request.service, outOf(stream)))) {
        const detail = "Too many event streams are open here. Close one, or come again in a minute.";
        throw new RefusedRequest([{ kind: "too-costly", detail, status: 503 }]);
      }
      // Whoever goes away ends it.
      request.raw.on("close", () => stream.destroy());
      reply.header("Cache-Control", "no-store").header("X-Accel-Buffering", "no").type("text/event-stream");
      return reply.send(stream) as never;
    },
  );
}

function outOf(stream: PassThrough): StreamOut {
  return {
    write: (text) => void stream.write(text),
    end: () => void stream.end(),
    waitingBytes: () => stream.writableLength + stream.readableLength,
    onClose: (closed) => void stream.on("close", closed),
  };
}

function lastEventId(text: unknown): number | undefined {
  return typeof text === "string" && /^\d{1,15}$/.test(text) ? Number(text) : undefined;
}
