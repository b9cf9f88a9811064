import { z } from "zod";
import { patientChangeSignal } from "../flows/change-signal.ts";
import { type ApiInstance, outcomeSchema, patientParams } from "./api-schemas.ts";
import { cautions } from "./doors.ts";
import { answered } from "./fhir-answer.ts";

const signalSchema = z.object({ rule: z.string(), direction: z.enum(["up", "down"]) });

const settingsSchema = z.object({
  on: z.boolean(),
  method: z.enum(["xmr", "xmr-2.66", "ewma", "cusum"]),
  baselineDays: z.number().int(),
  ewmaLambda: z.number(),
  ewmaWidth: z.number(),
  cusumSlack: z.number(),
  cusumDecision: z.number(),
});

const changeSignalAnswer = z.object({
  cautions: z.string(),
  patientId: z.string(),
  day: z.iso.date(),
  settings: settingsSchema,
  source: z.string(),
  note: z.string(),
  thresholdsVersion: z.string(),
  signal: z
    .object({
      method: z.string(),
      absentReason: z.enum(["no-plan", "baseline-incomplete", "baseline-too-old"]).optional(),
      baselineDay: z.iso.date().optional(),
      baselineKnownDays: z.number().int(),
      centre: z.number().optional(),
      sigma: z.number().optional(),
      firstSignalDay: z.iso.date().optional(),
      latestSignal: signalSchema.extend({ day: z.iso.date() }).optional(),
      points: z.array(
        z.object({
          day: z.iso.date(),
          value: z.number().int(),
          phase: z.enum(["baseline", "watched"]),
          statistic: z.number(),
          lower: z.number().nullable(),
          upper: z.number().nullable(),
          signal: signalSchema.optional(),
        }),
      ),
    })
    .optional(),
  weekly: z.array(
    z.object({
      firstDay: z.iso.date(),
      done: z.number().int(),
      known: z.number().int(),
      share: z.number(),
      lower: z.number(),
      upper: z.number(),
      outside: z.boolean(),
    }),
  ),
});

/** The chart of sessions a day, and of asked sessions done by week. */
export function changeSignalRoute(app: ApiInstance): void {
  app.get(
    "/patients/:patientId/change-signal",
    {
      schema: {
        summary: "Charts of one person's use over time",
        description:
          "Sessions a day against a frozen baseline, where the signal is switched on, and asked sessions done week by week. A hint for the worklist and no more: `note` says how often such signals are right.",
        tags: ["Dashboard"],
        params: patientParams,
        response: { 200: changeSignalAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const found = answered(await patientChangeSignal(request.service, request.tenantId, request.params.patientId));
      const { signal, weekly, ...rest } = found;
      return {
        cautions,
        ...rest,
        ...(signal !== undefined && {
          signal: {
            ...signal,
            points: signal.points.map(({ lower, upper, ...point }) => ({
              ...point,
              lower: lower ?? null,
              upper: Number.isFinite(upper) ? upper : null,
            })),
          },
        }),
        weekly: [...weekly],
      };
    },
  );
}
