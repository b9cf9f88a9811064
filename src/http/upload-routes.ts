import type { FastifyInstance, FastifyReply } from "fastify";
import { z } from "zod";
import { recordUse, type UploadReport } from "../flows/record-use.ts";
import { replayUpload, upload, uploadBytes, uploads } from "../flows/uploads.ts";
import { requireToken } from "./access.ts";
import {
  type ApiInstance,
  outcomeSchema,
  uploadDetailSchema,
  uploadReportSchema,
  uploadSummarySchema,
} from "./api-schemas.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered } from "./fhir-answer.ts";
import { refuseOtherMethods } from "./other-methods.ts";
import { refuseEmptyValues } from "./query-values.ts";

const uploadId = z.object({ uploadId: z.string().regex(/^upload-[0-9a-f]{40}$/) });

/** Takes in use records, and shows and replays what arrived. */
export async function uploadRoutes(app: FastifyInstance, doors: Doors): Promise<void> {
  requireToken(app, doors);
  refuseEmptyValues(app);
  await app.register(async (bytes) => {
    bytes.removeAllContentTypeParsers();
    bytes.addContentTypeParser("*", { parseAs: "buffer" }, (_request, body, done) => done(null, body));
    intakeRoute(bytes as unknown as ApiInstance, doors);
  });
  readingRoutes(app as unknown as ApiInstance, doors);
  replayRoute(app as unknown as ApiInstance, doors);
  refuseOtherMethods(app, {
    "/use-records": ["POST"],
    "/uploads": ["GET"],
    "/uploads/:uploadId": ["GET"],
    "/uploads/:uploadId/content": ["GET"],
    "/uploads/:uploadId/replay": ["POST"],
  });
}

function intakeRoute(app: ApiInstance, doors: Doors): void {
  app.post(
    "/use-records",
    {
      schema: {
        summary: "Send the use records of one device",
        description:
          "JSON (openapi/use-record.schema.json) or CSV, plain or gzip. The same upload may be sent again, in parts or out of order: each record counts once. A record that cannot be taken is refused alone and kept; an answer of 422 means that none was taken.",
        tags: ["Use records"],
        consumes: ["application/json", "text/csv", "application/gzip"],
        response: { 200: uploadReportSchema, 422: z.union([uploadReportSchema, outcomeSchema]), "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const body = Buffer.isBuffer(request.body) ? request.body : Buffer.alloc(0);
      const arrived = {
        bytes: body,
        contentType: (request.headers["content-type"] ?? "").slice(0, 200),
        contentEncoding: (request.headers["content-encoding"] ?? "identity").slice(0, 40),
      };
      const report = await recordUse(request.service, request.tenantId, arrived, { maxBytes: doors.maxBodyBytes });
      return sendReport(reply, answered(report));
    },
  );
}

function sendReport(reply: FastifyReply, report: UploadReport): FastifyReply {
  return reply.code(report.status === "refused" ? 422 : 200).send(report);
}

function readingRoutes(app: ApiInstance, doors: Doors): void {
  app.get(
    "/uploads",
    {
      schema: {
        summary: "What arrived, newest first",
        tags: ["Use records"],
        querystring: z.strictObject({
          status: z.enum(["accepted", "partly-refused", "refused"]).optional(),
          count: z.coerce.number().int().min(1).max(200).default(50),
          cursor: z.string().max(500).optional(),
        }),
        response: {
          200: z.object({ uploads: z.array(uploadSummarySchema), next: z.string().optional() }),
          "4xx": outcomeSchema,
        },
      },
    },
    async (request) => {
      const { status, count, cursor } = request.query;
      const list = ["uploads", request.tenantId];
      const before =
        cursor === undefined
          ? undefined
          : (doors.cursors.read(list, cursor) as { receivedMs: number; uploadId: string });
      const found = await uploads(request.service, request.tenantId, {
        count: count + 1,
        ...(status === undefined ? {} : { status }),
        ...(before === undefined ? {} : { before }),
      });
      const last = found.length > count ? found[count - 1] : undefined;
      const next = last && doors.cursors.write(list, { receivedMs: last.receivedMs, uploadId: last.uploadId });
      return { uploads: found.slice(0, count).map(summaryOf), ...(next === undefined ? {} : { next }) };
    },
  );
  app.get(
    "/uploads/:uploadId",
    {
      schema: {
        summary: "One upload and what of it was refused",
        tags: ["Use records"],
        params: uploadId,
        response: { 200: uploadDetailSchema, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const found = answered(await upload(request.service, request.tenantId, request.params.uploadId));
      return {
        ...summaryOf(found),
        refusedRecords: found.refusedRecords.map((one) => ({ ...one, sessionId: one.sessionId ?? undefined })),
      };
    },
  );
  app.get(
    "/uploads/:uploadId/content",
    { schema: { summary: "The bytes of an upload, exactly as they arrived", tags: ["Use records"], params: uploadId } },
    async (request, reply) => {
      const found = answered(await uploadBytes(request.service, request.tenantId, request.params.uploadId));
      // As a download, whatever the sender called it: nothing that arrived is ever shown as a page.
      return reply
        .type("application/octet-stream")
        .header("Content-Disposition", `attachment; filename="${request.params.uploadId}"`)
        .header("X-Content-Type-Options", "nosniff")
        .send(found.bytes);
    },
  );
}

function summaryOf(found: Awaited<ReturnType<typeof uploads>>[number]) {
  const { receivedMs, lastTriedMs, reason, deviceId, deviceIdentifier, ...rest } = found;
  return {
    ...rest,
    reason: reason ?? undefined,
    deviceId: deviceId ?? undefined,
    deviceIdentifier: deviceIdentifier ?? undefined,
    receivedAt: new Date(receivedMs).toISOString(),
    lastTriedAt: new Date(lastTriedMs).toISOString(),
  };
}

function replayRoute(app: ApiInstance, doors: Doors): void {
  app.post(
    "/uploads/:uploadId/replay",
    {
      schema: {
        summary: "Process a kept upload again, after its cause has been mended",
        description: "The body may correct readAt and deviceClockAtReading where the clock of the reader was wrong.",
        tags: ["Use records"],
        params: uploadId,
        body: z
          .strictObject({ readAt: z.string().max(40).optional(), deviceClockAtReading: z.string().max(40).optional() })
          .nullish(),
        response: { 200: uploadReportSchema, 422: z.union([uploadReportSchema, outcomeSchema]), "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const { readAt, deviceClockAtReading } = request.body ?? {};
      const mending = {
        ...(readAt === undefined ? {} : { readAt }),
        ...(deviceClockAtReading === undefined ? {} : { deviceClockAtReading }),
      };
      const limits = { maxBytes: doors.maxBodyBytes };
      const report = await replayUpload(request.service, request.tenantId, request.params.uploadId, mending, limits);
      if (!report.ok) throw new RefusedRequest(report.refusals);
      return sendReport(reply, report.value);
    },
  );
}
