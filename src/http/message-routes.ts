import type { FastifyInstance, FastifyReply } from "fastify";
import { z } from "zod";
import type { MessageReport } from "../flows/message-answer.ts";
import { defaultMessageSettings } from "../flows/message-settings.ts";
import { messageBytes, messages, oneMessage, replayMessage } from "../flows/messages.ts";
import { messageContentType, receiveMessage } from "../flows/receive-message.ts";
import { acknowledgementBytes } from "../intake/hl7v2/acknowledgement.ts";
import { requireToken } from "./access.ts";
import { type ApiInstance, outcomeSchema } from "./api-schemas.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered } from "./fhir-answer.ts";
import { knownRefusal } from "./known-errors.ts";
import { messageReportSchema, messageSummarySchema, shownReport, summaryOf } from "./message-schemas.ts";
import { refuseOtherMethods } from "./other-methods.ts";
import { refuseEmptyValues } from "./query-values.ts";

const messageId = z.object({ messageId: z.string().regex(/^message-[0-9a-f]{40}$/) });

/** Content types of an HL7 v2 message in its own encoding. */
const messageTypes: readonly string[] = ["application/hl7-v2", messageContentType];

/** The second door for HL7 v2 messages, beside MLLP, and the list of those that came by either. */
export async function messageRoutes(app: FastifyInstance, doors: Doors): Promise<void> {
  requireToken(app, doors);
  refuseEmptyValues(app);
  await app.register(async (bytes) => {
    bytes.removeAllContentTypeParsers();
    for (const type of messageTypes)
      bytes.addContentTypeParser(type, { parseAs: "buffer" }, (_request, body, done) => done(null, body));
    intakeRoute(bytes as unknown as ApiInstance, doors);
    replayRoute(bytes as unknown as ApiInstance, doors);
  });
  readingRoutes(app as unknown as ApiInstance, doors);
  refuseOtherMethods(app, {
    "/hl7v2": ["POST"],
    "/messages": ["GET"],
    "/messages/:messageId": ["GET"],
    "/messages/:messageId/content": ["GET"],
    "/messages/:messageId/replay": ["POST"],
  });
}

function settingsOf(doors: Doors) {
  return doors.messages ?? defaultMessageSettings;
}

function intakeRoute(app: ApiInstance, doors: Doors): void {
  app.post(
    "/hl7v2",
    {
      schema: {
        summary: "Send one HL7 v2 message",
        description:
          "ADT and ORU^R01 in the encoding of bars and hats; docs/hl7v2.md tells which and what becomes of them. The answer is the acknowledgement that the message asks for: 200 with AA or CA, 422 with AE, AR, CE or CR, 204 where it asks for none. The same message may be sent again.",
        tags: ["HL7 v2"],
        consumes: [...messageTypes],
        response: { "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const body = Buffer.isBuffer(request.body) ? request.body : Buffer.alloc(0);
      if (body.length === 0) throw new RefusedRequest([emptyBody]);
      const arrived = { bytes: body, clientId: request.grant.clientId, contentType: messageContentType };
      const taking = receiveMessage(request.service, request.tenantId, settingsOf(doors), arrived);
      const report = answered(await taking.catch(notTheSenders));
      return sendAcknowledgement(reply, report);
    },
  );
}

/** What others were doing to the same records at that moment is no fault of a message: its sender must send it again as it is. */
function notTheSenders(error: unknown): never {
  const known = knownRefusal(error);
  if (known?.status === 409 || known?.status === 422) throw new RefusedRequest([notNow]);
  throw error;
}

const notNow = {
  kind: "exception",
  detail: "The message could not be taken in at this moment, through no fault of its own. Send it again as it is.",
  status: 503,
} as const;

const emptyBody = { kind: "required", detail: "The body must be one HL7 v2 message.", status: 400 } as const;

/** Over HTTP one answer goes out: that of the application, which tells more, where both are asked for. */
function sendAcknowledgement(reply: FastifyReply, report: MessageReport): FastifyReply {
  const text = report.answers.application ?? report.answers.accept;
  // Typed as JSON, the answer would be looked through for people; an acknowledgement names none.
  const status = report.status === "accepted" ? 200 : 422;
  if (text === undefined) return reply.code(report.status === "accepted" ? 204 : 422).send();
  return reply
    .code(status)
    .type(messageContentType)
    .header("X-Message-Id", report.messageId)
    .serializer((payload: unknown) => payload as string)
    .send(acknowledgementBytes(text, report.characterSet) as unknown as never);
}

function readingRoutes(app: ApiInstance, doors: Doors): void {
  app.get(
    "/messages",
    {
      schema: {
        summary: "HL7 v2 messages that came, newest first",
        tags: ["HL7 v2"],
        querystring: z.strictObject({
          state: z.enum(["accepted", "refused"]).optional(),
          count: z.coerce.number().int().min(1).max(200).default(50),
          cursor: z.string().max(500).optional(),
        }),
        response: {
          200: z.object({ messages: z.array(messageSummarySchema), next: z.string().optional() }),
          "4xx": outcomeSchema,
        },
      },
    },
    async (request) => {
      const { state, count, cursor } = request.query;
      const list = ["messages", request.tenantId];
      const before =
        cursor === undefined
          ? undefined
          : (doors.cursors.read(list, cursor) as { receivedMs: number; messageId: string });
      const found = await messages(request.service, request.tenantId, {
        count: count + 1,
        ...(state === undefined ? {} : { state }),
        ...(before === undefined ? {} : { before }),
      });
      const last = found.length > count ? found[count - 1] : undefined;
      const next = last && doors.cursors.write(list, { receivedMs: last.receivedMs, messageId: last.messageId });
      return { messages: found.slice(0, count).map(summaryOf), ...(next === undefined ? {} : { next }) };
    },
  );
  app.get(
    "/messages/:messageId",
    {
      schema: {
        summary: "One message and what became of it",
        tags: ["HL7 v2"],
        params: messageId,
        response: { 200: messageSummarySchema, "4xx": outcomeSchema },
      },
    },
    async (request) =>
      summaryOf(answered(await oneMessage(request.service, request.tenantId, request.params.messageId))),
  );
  app.get(
    "/messages/:messageId/content",
    { schema: { summary: "The bytes of a message, exactly as they arrived", tags: ["HL7 v2"], params: messageId } },
    async (request, reply) => {
      const bytes = answered(await messageBytes(request.service, request.tenantId, request.params.messageId));
      // As a download, whatever stands in it: nothing that arrived is ever shown as a page.
      return reply
        .type("application/octet-stream")
        .header("Content-Disposition", `attachment; filename="${request.params.messageId}.hl7"`)
        .header("X-Content-Type-Options", "nosniff")
        .send(bytes);
    },
  );
}

function replayRoute(app: ApiInstance, doors: Doors): void {
  app.post(
    "/messages/:messageId/replay",
    {
      schema: {
        summary: "Try a refused message again, after its cause has been mended",
        description:
          "Without a body the message is tried as it came. A body (an HL7 v2 message) is taken in its place: both are kept.",
        tags: ["HL7 v2"],
        params: messageId,
        response: {
          200: messageReportSchema,
          422: z.union([messageReportSchema, outcomeSchema]),
          "4xx": outcomeSchema,
        },
      },
    },
    async (request, reply) => {
      const corrected = Buffer.isBuffer(request.body) && request.body.length > 0 ? request.body : undefined;
      const { service, tenantId, params } = request;
      const answer = await replayMessage(service, tenantId, settingsOf(doors), params.messageId, corrected);
      const report = answered(answer);
      return reply.code(report.status === "refused" ? 422 : 200).send(shownReport(report));
    },
  );
}
