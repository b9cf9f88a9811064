import type { FastifyInstance } from "fastify";
import { z } from "zod";
import { type CaseloadPage, caseload } from "../flows/caseload.ts";
import { patientDays } from "../flows/patient-days.ts";
import { requireToken } from "./access.ts";
import {
  type ApiInstance,
  caseloadRowSchema,
  daySchema,
  measureSchema,
  outcomeSchema,
  patientParams,
} from "./api-schemas.ts";
import { changeSignalRoute } from "./change-signal-route.ts";
import { clientAddresses, clientRoutes } from "./client-routes.ts";
import { cautions, type Doors } from "./doors.ts";
import { eventAddresses, eventRoutes } from "./event-routes.ts";
import { explainAddresses, explainRoutes } from "./explain-routes.ts";
import { answered } from "./fhir-answer.ts";
import { refuseOtherMethods } from "./other-methods.ts";
import { partAddresses, partRoutes } from "./part-routes.ts";
import { refuseEmptyValues } from "./query-values.ts";
import { releaseAddresses, releaseRoutes } from "./release-routes.ts";
import { thresholdAddresses, thresholdRoutes } from "./threshold-routes.ts";

const caseloadQuery = z.strictObject({
  sort: z.enum(["name", "urgency", "sessions-completed", "days-used", "last-record", "next-part-due"]).default("name"),
  count: z.coerce.number().int().min(1).max(200).default(50),
  severity: z.enum(["urgent", "review", "information"]).optional(),
  rule: z.string().max(64).optional(),
  sessionsCompletedBelow: z.coerce.number().min(0).max(1).optional(),
  name: z.string().max(100).optional(),
  cursor: z.string().max(1_000).optional(),
});

/** Days on which somebody now treated may have lived; far off it no calendar arithmetic holds. */
const dayAsked = z.iso
  .date()
  .refine((day) => day >= "1900-01-01" && day < "2200-01-01", "A day from 1900-01-01 up to 2199-12-31");

const caseloadAnswer = z.object({
  cautions: z.string(),
  rows: z.array(caseloadRowSchema),
  next: z.string().optional(),
});

const daysAnswer = z.object({
  cautions: z.string(),
  patientId: z.string(),
  zone: z.string(),
  firstDay: z.iso.date(),
  endDay: z.iso.date(),
  measures: z.array(measureSchema.extend({ band: z.enum(["low", "moderate", "high"]).optional() })),
  bands: z.object({ source: z.string(), note: z.string() }),
  byPart: z.array(measureSchema.extend({ part: z.string() })),
  byPlan: z.array(
    z.object({
      planId: z.string().optional(),
      firstDay: z.iso.date(),
      endDay: z.iso.date(),
      measures: z.array(measureSchema),
    }),
  ),
  days: z.array(daySchema),
});

/** Plain JSON for dashboards: the caseload, and one person's days. */
export async function dashboardRoutes(plain: FastifyInstance, doors: Doors): Promise<void> {
  requireToken(plain, doors);
  const app = plain as unknown as ApiInstance;
  refuseEmptyValues(plain);
  caseloadRoute(app, doors);
  daysRoute(app);
  changeSignalRoute(app);
  explainRoutes(app);
  partRoutes(app, doors);
  thresholdRoutes(app);
  clientRoutes(app);
  releaseRoutes(app);
  eventRoutes(plain, app, doors);
  refuseOtherMethods(plain, {
    "/caseload": ["GET"],
    "/patients/:patientId/days": ["GET"],
    "/patients/:patientId/change-signal": ["GET"],
    ...explainAddresses,
    ...partAddresses,
    ...thresholdAddresses,
    ...clientAddresses,
    ...releaseAddresses,
    ...eventAddresses,
  });
}

function caseloadRoute(app: ApiInstance, doors: Doors): void {
  app.get(
    "/caseload",
    {
      schema: {
        summary: "One row per person, as the last review left it",
        description:
          "Measures over the 28 days before the review; unknown days count neither way. `next` is the cursor of the next page.",
        tags: ["Dashboard"],
        querystring: caseloadQuery,
        response: { 200: caseloadAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { cursor, ...asked } = request.query;
      const list = ["caseload", request.tenantId, asked.sort];
      const after = cursor === undefined ? undefined : (doors.cursors.read(list, cursor) as CaseloadPage["next"]);
      const given = Object.fromEntries(
        Object.entries(asked).filter(([, value]) => value !== undefined),
      ) as typeof asked;
      const page = await caseload(request.service, request.tenantId, {
        ...given,
        ...(after === undefined ? {} : { after }),
      } as never);
      const next = page.next && doors.cursors.write(list, page.next);
      return { cautions, rows: page.rows.map(rowOf), ...(next === undefined ? {} : { next }) };
    },
  );
}

function rowOf(row: CaseloadPage["rows"][number]) {
  const { urgentCount, reviewCount, informationCount, lastSessionMs, coveredUntilMs, sortValue: _, ...rest } = row;
  return {
    ...rest,
    daysUsed: row.daysUsed as z.infer<typeof measureSchema> | null,
    sessionsCompleted: row.sessionsCompleted as z.infer<typeof measureSchema> | null,
    findings: row.findings.map(({ rule, severity, sinceDay, text }) => ({ rule, severity, sinceDay, text })),
    openFindings: { urgent: urgentCount, review: reviewCount, information: informationCount },
    lastSessionAt: instantText(lastSessionMs),
    coveredUntil: instantText(coveredUntilMs),
  };
}

function instantText(ms: number | null): string | null {
  return ms === null ? null : new Date(ms).toISOString();
}

function daysRoute(app: ApiInstance): void {
  app.get(
    "/patients/:patientId/days",
    {
      schema: {
        summary: "One person's local days: used, not used, or not known",
        description: "Half-open: firstDay is inside, endDay is not. Without them the 28 full days before today.",
        tags: ["Dashboard"],
        params: patientParams,
        querystring: z.strictObject({ firstDay: dayAsked.optional(), endDay: dayAsked.optional() }),
        response: { 200: daysAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { firstDay, endDay } = request.query;
      const asked = { ...(firstDay === undefined ? {} : { firstDay }), ...(endDay === undefined ? {} : { endDay }) };
      const found = answered(await patientDays(request.service, request.tenantId, request.params.patientId, asked));
      const days = found.days.map(({ cycles, bestPeakCoughFlowLitresPerMinute, markers, ...day }) => ({
        ...day,
        cycles: cycles ?? null,
        bestPeakCoughFlowLitresPerMinute: bestPeakCoughFlowLitresPerMinute ?? null,
        markers: [...markers],
      }));
      return {
        ...found,
        cautions,
        measures: found.measures.map((measure) => ({ ...measure })),
        byPart: [...found.byPart],
        byPlan: found.byPlan.map((segment) => ({ ...segment, measures: [...segment.measures] })),
        days,
      };
    },
  );
}
