import { z } from "zod";
import { type Explanation, explain, explainOfTask } from "../flows/explain.ts";
import { reviewAsOf } from "../flows/review-as-of.ts";
import {
  type ApiInstance,
  findingSchema,
  measureSchema,
  outcomeSchema,
  patientParams,
  stepSchema,
} from "./api-schemas.ts";
import { cautions } from "./doors.ts";
import { answered } from "./fhir-answer.ts";

const asOf = z
  .string()
  .max(40)
  .optional()
  .describe("A local day, as it ended, or an instant: what was known then. Now when left out.");

const pictureSchema = z.object({
  zone: z.string(),
  planId: z.string().optional(),
  planHeld: z.boolean(),
  sessions: z.object({
    count: z.number().int(),
    firstDay: z.iso.date().optional(),
    lastDay: z.iso.date().optional(),
  }),
  coveredUntil: z.iso.datetime().optional(),
  machines: z.array(z.string()),
  parts: z.number().int(),
  contraindications: z.number().int(),
  absences: z.number().int(),
  infectionId: z.string().optional(),
  openTasks: z.number().int(),
});

const decision = z.enum(["raise", "refresh", "add-evidence", "escalate", "close", "note-cleared", "nothing"]);

const explainAnswer = z.object({
  cautions: z.string(),
  patientId: z.string(),
  at: z.iso.datetime(),
  day: z.iso.date(),
  thresholdsVersion: z.string(),
  rule: z.object({ code: z.string(), title: z.string(), source: z.string() }),
  picture: pictureSchema,
  note: z.string().optional(),
  subjects: z.array(
    z.object({
      subject: z.string(),
      found: z.boolean(),
      steps: z.array(stepSchema),
      finding: findingSchema.optional(),
      task: z.object({ decision, steps: z.array(stepSchema) }),
    }),
  ),
});

const reviewAnswer = z.object({
  cautions: z.string(),
  patientId: z.string(),
  at: z.iso.datetime(),
  thresholdsVersion: z.string(),
  picture: pictureSchema,
  findings: z.array(findingSchema),
  taskSteps: z.array(z.object({ kind: decision, taskId: z.string().optional(), rule: z.string().optional() })),
  daysUsed: measureSchema,
  sessionsCompleted: measureSchema,
});

/** Addresses of these doors with the methods that they answer. */
export const explainAddresses = {
  "/patients/:patientId/explain": ["GET"],
  "/patients/:patientId/review": ["GET"],
  "/tasks/:taskId/explain": ["GET"],
} as const;

/** Why a finding or a Task is there, or is not; and what a review finds, now or as it was known on a past day. */
export function explainRoutes(app: ApiInstance): void {
  explainRoute(app);
  explainTaskRoute(app);
  reviewRoute(app);
}

function explainRoute(app: ApiInstance): void {
  app.get(
    "/patients/:patientId/explain",
    {
      schema: {
        summary: "Why a finding is there, or why it is not",
        description:
          "Each question that the rule asks, with its numbers and where its threshold comes from, and what the review does to the Task and why. Nothing is written.",
        tags: ["Review"],
        params: patientParams,
        querystring: z.strictObject({
          rule: z.string().max(64),
          subject: z.string().max(200).optional().describe("`therapy` or `Type/id`; every subject when left out."),
          asOf,
        }),
        response: { 200: explainAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { rule, subject, asOf: moment } = request.query;
      const asked = {
        rule,
        ...(subject === undefined ? {} : { subject }),
        ...(moment === undefined ? {} : { asOf: moment }),
      };
      return shown(answered(await explain(request.service, request.tenantId, request.params.patientId, asked)));
    },
  );
}

function explainTaskRoute(app: ApiInstance): void {
  app.get(
    "/tasks/:taskId/explain",
    {
      schema: {
        summary: "Why this Task is here",
        tags: ["Review"],
        params: z.object({ taskId: z.string().regex(/^[A-Za-z0-9\-.]{1,64}$/) }),
        response: { 200: explainAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => shown(answered(await explainOfTask(request.service, request.tenantId, request.params.taskId))),
  );
}

function shown(explanation: Explanation) {
  return {
    cautions,
    ...explanation,
    subjects: explanation.subjects.map(({ steps, finding, task, subject }) => ({
      subject,
      found: finding !== undefined,
      steps: [...steps],
      ...(finding === undefined ? {} : { finding: { ...finding, evidence: [...finding.evidence] } }),
      task: { decision: task.decision, steps: [...task.steps] },
    })),
    picture: { ...explanation.picture, machines: [...explanation.picture.machines] },
  };
}

function reviewRoute(app: ApiInstance): void {
  app.get(
    "/patients/:patientId/review",
    {
      schema: {
        summary: "What a review finds, now or as it was known on a past day",
        description:
          "Computed on read from what was on record at that moment, with the thresholds of then; it writes nothing.",
        tags: ["Review"],
        params: patientParams,
        querystring: z.strictObject({ asOf }),
        response: { 200: reviewAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { patientId } = request.params;
      const found = answered(await reviewAsOf(request.service, request.tenantId, patientId, request.query.asOf));
      const { summary, findings, taskSteps, picture, ...rest } = found;
      return {
        cautions,
        ...rest,
        picture: { ...picture, machines: [...picture.machines] },
        findings: findings.map((one) => ({ ...one, evidence: [...one.evidence] })),
        taskSteps: [...taskSteps],
        daysUsed: summary.daysUsed,
        sessionsCompleted: summary.sessionsCompleted,
      };
    },
  );
}
