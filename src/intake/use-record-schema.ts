import { z } from "zod";
import { isStorable } from "./storable-text.ts";

const unstorable = "The text holds U+0000 or half of a surrogate pair, which cannot be stored";
const shortText = z.string().min(1).max(200).refine(isStorable, unstorable);
const deviceTime = z.string().min(10).max(40).refine(isStorable, unstorable);
const measured = z.number();
const count = z.number().int().min(0).max(1_000_000);

const spread = z.strictObject({ median: measured, p5: measured.optional(), p95: measured.optional() });

const cycle = z.strictObject({
  peakInsufflationPressureCmH2O: measured.optional(),
  peakExsufflationPressureCmH2O: measured.optional(),
  insufflatedVolumeMillilitres: measured.optional(),
  peakCoughFlowLitresPerMinute: measured.optional(),
  triggered: z.boolean().optional(),
});

/** One session as it stands in the device's memory. Everything but start and end may be missing. */
export const sessionSchema = z.strictObject({
  sequenceNumber: z.number().int().min(0).max(2_147_483_647).optional(),
  start: deviceTime,
  end: deviceTime,
  profileSlot: shortText.optional(),
  triggerMode: z.enum(["manual", "automatic-timed", "patient-triggered", "insufflation-only"]).optional(),
  cyclesDelivered: count.optional(),
  cyclesTriggered: count.optional(),
  setInsufflationPressureCmH2O: measured.optional(),
  setExsufflationPressureCmH2O: measured.optional(),
  setInsufflationSeconds: measured.optional(),
  setExsufflationSeconds: measured.optional(),
  setPauseSeconds: measured.optional(),
  achievedInsufflationPressureCmH2O: spread.optional(),
  achievedExsufflationPressureCmH2O: spread.optional(),
  insufflatedVolumeMillilitres: measured.optional(),
  peakCoughFlowLitresPerMinute: measured.optional(),
  leakLitresPerMinute: measured.optional(),
  lowestSpo2Percent: measured.optional(),
  meanSpo2Percent: measured.optional(),
  pulsePerMinute: measured.optional(),
  stopReason: shortText.optional(),
  test: z.boolean().optional(),
  cycles: z.array(cycle).max(2_000).optional(),
});

/** The most ranges of coverage that one upload may hold. */
export const mostCoverage = 1_000;

/** The most alerts that one upload may hold. */
export const mostAlerts = 5_000;

/** Everything around the sessions. */
export const envelopeSchema = z.strictObject({
  format: z.literal("tidegate-use-record"),
  version: z.literal(1),
  device: z.strictObject({ system: shortText.optional(), serialNumber: shortText }),
  readAt: deviceTime,
  deviceClockAtReading: deviceTime.optional(),
  coverage: z
    .array(z.strictObject({ start: deviceTime, end: deviceTime }))
    .max(mostCoverage)
    .optional(),
  alerts: z
    .array(z.strictObject({ code: shortText, at: deviceTime, text: shortText.optional() }))
    .max(mostAlerts)
    .optional(),
});

/** The most sessions that one upload may hold. */
export const mostSessions = 20_000;

/** The whole upload, as JSON Schema and OpenAPI describe it. */
export const useRecordSchema = envelopeSchema.extend({ sessions: z.array(sessionSchema).max(mostSessions) });

/** An upload in JSON, as a sender writes it. */
export type UseRecordUpload = z.infer<typeof useRecordSchema>;

/** The envelope as read. */
export type Envelope = z.infer<typeof envelopeSchema>;

/** JSON Schema (2020-12) of an upload; `openapi/use-record.schema.json` is this, written down. */
export function useRecordJsonSchema(): object {
  return z.toJSONSchema(useRecordSchema.meta({ title: "Use record of one device, as it is uploaded" }));
}
