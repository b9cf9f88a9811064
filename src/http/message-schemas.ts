import { z } from "zod";
import type { MessageReport } from "../flows/message-answer.ts";
import type { messages } from "../flows/messages.ts";

const refusal = z.object({ kind: z.string(), detail: z.string(), at: z.string().optional() });

const answers = z.object({ accept: z.string().optional(), application: z.string().optional() });

// As objects, for the trail reads whom an answer showed from its `patientId`.
const patients = z.array(z.object({ patientId: z.string() }));

/** What became of a message that was tried again. */
export const messageReportSchema = z.object({
  messageId: z.string(),
  status: z.enum(["accepted", "refused"]),
  reason: z.string().optional(),
  type: z.string(),
  patients,
  notes: z.array(z.string()),
  refusals: z.array(refusal),
  answers,
});

/** A message as received. */
export const messageSummarySchema = z.object({
  messageId: z.string(),
  receivedAt: z.iso.datetime(),
  lastTriedAt: z.iso.datetime(),
  attempts: z.number().int(),
  sender: z.string(),
  controlId: z.string(),
  clientId: z.string(),
  messageCode: z.string(),
  triggerEvent: z.string(),
  eventAt: z.iso.datetime().optional(),
  status: z.enum(["accepted", "partly-refused", "refused"]),
  reason: z.string().optional(),
  sizeBytes: z.number().int(),
  patients,
  corrects: z.string().optional(),
  answers,
  report: z.unknown(),
});

/** A listed message as it is answered. */
export function summaryOf(found: Awaited<ReturnType<typeof messages>>[number]) {
  const { receivedMs, lastTriedMs, eventMs, patientIds, ...rest } = found;
  return {
    ...rest,
    patients: shown(patientIds),
    receivedAt: new Date(receivedMs).toISOString(),
    lastTriedAt: new Date(lastTriedMs).toISOString(),
    ...(eventMs === undefined ? {} : { eventAt: new Date(eventMs).toISOString() }),
  };
}

/** A report as it is answered. */
export function shownReport({ characterSet: _, patientIds, notes, refusals, ...rest }: MessageReport) {
  return { ...rest, patients: shown(patientIds), notes: [...notes], refusals: [...refusals] };
}

function shown(patientIds: readonly string[]) {
  return patientIds.map((patientId) => ({ patientId }));
}
