import type { IncomingMessage, ServerResponse } from "node:http";
import type { FastifyBaseLogger, FastifyInstance, RawServerDefault } from "fastify";
import type { ZodTypeProvider } from "fastify-type-provider-zod";
import { z } from "zod";

/** An app whose routes are typed by their zod schemas. */
export type ApiInstance = FastifyInstance<
  RawServerDefault,
  IncomingMessage,
  ServerResponse,
  FastifyBaseLogger,
  ZodTypeProvider
>;

/** A FHIR OperationOutcome, as every error is answered. */
export const outcomeSchema = z.looseObject({
  resourceType: z.literal("OperationOutcome"),
  issue: z.array(z.looseObject({})),
});

const refusal = z.object({ kind: z.string(), detail: z.string(), at: z.string().optional() });

/** What became of an upload, record by record. */
export const uploadReportSchema = z.object({
  uploadId: z.string(),
  status: z.enum(["accepted", "partly-refused", "refused"]),
  deviceId: z.string().optional(),
  clockDriftSeconds: z.number().optional(),
  received: z.number().int(),
  created: z.number().int(),
  unchanged: z.number().int(),
  retimed: z.number().int(),
  refused: z.array(z.object({ at: z.string(), sessionId: z.string().optional(), refusals: z.array(refusal) })),
});

/** An upload as received. */
export const uploadSummarySchema = z.object({
  uploadId: z.string(),
  receivedAt: z.iso.datetime(),
  lastTriedAt: z.iso.datetime(),
  attempts: z.number().int(),
  contentType: z.string(),
  contentEncoding: z.string(),
  sha256: z.string(),
  sizeBytes: z.number().int(),
  status: z.enum(["accepted", "partly-refused", "refused"]),
  reason: z.string().optional(),
  deviceIdentifier: z.string().optional(),
  deviceId: z.string().optional(),
  report: z.unknown(),
});

/** An upload with its refused records as received. */
export const uploadDetailSchema = uploadSummarySchema.extend({
  refusedRecords: z.array(
    z.object({
      position: z.number().int(),
      kind: z.string(),
      refusals: z.unknown(),
      received: z.unknown(),
      sessionId: z.string().optional(),
    }),
  ),
});

/** The patient of the address. */
export const patientParams = z.object({ patientId: z.string().regex(/^[A-Za-z0-9\-.]{1,64}$/) });

/** A share with everything needed to read it honestly. */
export const measureSchema = z.object({
  code: z.enum(["days-used", "sessions-completed", "sessions-recorded", "dose", "settings-concordance", "all-facets"]),
  counts: z.enum(["days", "slots", "sessions", "cycles"]),
  firstDay: z.iso.date(),
  endDay: z.iso.date(),
  numerator: z.number().int(),
  denominator: z.number().int(),
  eligible: z.number().int(),
  coverage: z.number().optional(),
  ratio: z.number().optional(),
  absentReason: z.enum(["nothing-asked", "nothing-known", "low-coverage"]).optional(),
  bounds: z.object({ lowest: z.number(), highest: z.number() }).optional(),
  ruleVersion: z.string(),
});

/** One row of the caseload. */
export const caseloadRowSchema = z.object({
  patientId: z.string(),
  name: z.string(),
  zone: z.string(),
  birthDay: z.iso.date().nullable(),
  reviewedDay: z.iso.date().nullable(),
  daysUsed: measureSchema.nullable(),
  sessionsCompleted: measureSchema.nullable(),
  openFindings: z.object({ urgent: z.number().int(), review: z.number().int(), information: z.number().int() }),
  findings: z.array(z.object({ rule: z.string(), severity: z.string(), sinceDay: z.iso.date(), text: z.string() })),
  lastSessionAt: z.iso.datetime().nullable(),
  coveredUntil: z.iso.datetime().nullable(),
  nextPartDueDay: z.iso.date().nullable(),
  nextPartKind: z.string().nullable(),
});

/** A finding with what it rests on. */
export const findingSchema = z.object({
  rule: z.string(),
  subject: z.string(),
  severity: z.enum(["information", "review", "urgent"]),
  safety: z.boolean(),
  sinceDay: z.iso.date(),
  text: z.string(),
  evidence: z.array(
    z.object({
      name: z.string(),
      text: z.string(),
      value: z.number().optional(),
      unit: z.string().optional(),
      reference: z.string().optional(),
    }),
  ),
  clearsWhen: z.string(),
  focus: z.string().optional(),
  thresholdsVersion: z.string().optional(),
});

/** One question that a rule asked, answered. */
export const stepSchema = z.object({
  name: z.string(),
  text: z.string(),
  holds: z.boolean().describe("Whether the answer is what the rule looks for; a finding needs all of them."),
  value: z.number().optional(),
  threshold: z.number().optional(),
  unit: z.string().optional(),
  source: z.string().optional(),
  reference: z.string().optional(),
});

/** One local day of one patient. */
export const daySchema = z.object({
  day: z.iso.date(),
  eligible: z.boolean(),
  excluded: z.string().optional(),
  state: z.enum(["used", "not-used", "unknown"]),
  asked: z.number().int(),
  done: z.number().int(),
  missed: z.number().int(),
  unknown: z.number().int(),
  parts: z.record(z.string(), z.enum(["done", "missed", "unknown"])).describe("Each day part asked for."),
  sessions: z.number().int(),
  minutes: z.number(),
  cycles: z.number().nullable(),
  cyclesAsked: z.number().optional(),
  bestPeakCoughFlowLitresPerMinute: z.number().nullable(),
  markers: z.array(z.object({ kind: z.string(), text: z.string() })),
});
