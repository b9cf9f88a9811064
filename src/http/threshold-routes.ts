import { z } from "zod";
import { readThresholds, setThresholds, type ThresholdsInForce, thresholdVersions } from "../flows/thresholds.ts";
import { type ApiInstance, outcomeSchema } from "./api-schemas.ts";
import { cautions } from "./doors.ts";
import { answered } from "./fhir-answer.ts";

const storable = (shortest: number, longest: number) =>
  z
    .string()
    .min(shortest)
    .max(longest)
    .refine(
      (text) => text.isWellFormed() && !text.includes("\u0000"),
      "Text without U+0000 or half of a surrogate pair",
    );

const settingsBody = z.strictObject({
  settings: z
    .record(z.string(), z.unknown())
    .describe("Every value that differs at this level: { name: { value, source } }. What is left out is inherited."),
  note: storable(3, 1_000).describe("Why it was set."),
  setBy: storable(1, 200).optional().describe("Who set it, in their own words; not checked."),
  expectedVersion: z
    .number()
    .int()
    .min(0)
    .max(2_147_483_647)
    .optional()
    .describe("The version that was read, 0 for none. Another one in force is answered with 409."),
});

const versionSchema = z.object({
  version: z.number().int(),
  setAt: z.iso.datetime(),
  setBy: z.string().nullable(),
  note: z.string().nullable(),
  settings: z.record(z.string(), z.object({ value: z.unknown(), source: z.string() })),
});

const inForceAnswer = z.object({
  cautions: z.string(),
  version: z.string().describe("Every setting that took part; findings name it."),
  thresholds: z.record(
    z.string(),
    z.object({
      value: z.unknown(),
      unit: z.string().optional().describe("UCUM."),
      source: z.string(),
      level: z.enum(["default", "tenant", "plan"]).describe("Whose value it is."),
      allowed: z.string(),
    }),
  ),
  own: versionSchema.nullable().describe("What is set at this level itself."),
});

const historyQuery = z.strictObject({
  count: z.coerce.number().int().min(1).max(200).default(20),
  beforeVersion: z.coerce.number().int().min(1).max(2_147_483_647).optional(),
});

const historyAnswer = z.object({ versions: z.array(versionSchema), next: z.number().int().optional() });

const planParams = z.object({ planId: z.string().regex(/^[A-Za-z0-9\-.]{1,64}$/) });
const noParams = z.object({});

/** What each of the two levels says of itself in the description of the API. */
const levels = [
  { path: "/thresholds", params: noParams, of: "the organisation", over: "the defaults" },
  { path: "/plans/:planId/thresholds", params: planParams, of: "one plan", over: "the organisation's" },
] as const;

/** Addresses of the thresholds and what they take, for who refuses other methods. */
export const thresholdAddresses = Object.fromEntries(
  levels.flatMap(({ path }) => [
    [path, ["GET", "PUT"] as const],
    [`${path}/history`, ["GET"] as const],
  ]),
) as Readonly<Record<string, readonly ("GET" | "PUT")[]>>;

/** Plain JSON: the thresholds of the tenant and of its plans, as they are, as they were, and to be set. */
export function thresholdRoutes(app: ApiInstance): void {
  for (const level of levels) {
    readRoute(app, level);
    setRoute(app, level);
    historyRoute(app, level);
  }
}

type Level = (typeof levels)[number];

function readRoute(app: ApiInstance, { path, params, of, over }: Level): void {
  app.get(
    path,
    {
      schema: {
        summary: `Thresholds of ${of} in force`,
        description: `Each value with its source, over ${over}; \`own\` is what was set here.`,
        tags: ["Thresholds"],
        params,
        response: { 200: inForceAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) =>
      answerOf(answered(await readThresholds(request.service, request.tenantId, planIdOf(request.params)))),
  );
}

function setRoute(app: ApiInstance, { path, params, of }: Level): void {
  app.put(
    path,
    {
      schema: {
        summary: `Set the thresholds of ${of}`,
        description:
          "Replaces everything that was set here as the next version, and queues the review of everybody concerned. `{}` takes all of it back.",
        tags: ["Thresholds"],
        params,
        body: settingsBody,
        response: { 200: inForceAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { settings, note, setBy, expectedVersion } = request.body;
      const wanted = {
        settings,
        note,
        ...(setBy === undefined ? {} : { setBy }),
        ...(expectedVersion === undefined ? {} : { expectedVersion }),
      };
      return answerOf(
        answered(await setThresholds(request.service, request.tenantId, planIdOf(request.params), wanted)),
      );
    },
  );
}

function historyRoute(app: ApiInstance, { path, params, of }: Level): void {
  app.get(
    `${path}/history`,
    {
      schema: {
        summary: `Every version of the thresholds of ${of}`,
        description: "Newest first. `next` is the `beforeVersion` of the next page.",
        tags: ["Thresholds"],
        params,
        querystring: historyQuery,
        response: { 200: historyAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { count, beforeVersion } = request.query;
      const page = { count, ...(beforeVersion === undefined ? {} : { beforeVersion }) };
      const found = answered(
        await thresholdVersions(request.service, request.tenantId, planIdOf(request.params), page),
      );
      return { ...found, versions: found.versions.map(versionOf) };
    },
  );
}

function planIdOf(params: { planId?: string }): string | undefined {
  return params.planId;
}

function answerOf({ version, thresholds, own }: ThresholdsInForce) {
  return { cautions, version, thresholds: { ...thresholds }, own: own === undefined ? null : versionOf(own) };
}

function versionOf(setting: NonNullable<ThresholdsInForce["own"]>) {
  const { version, setAtMs, setBy, note, settings } = setting;
  return {
    version,
    setAt: new Date(setAtMs).toISOString(),
    setBy: setBy ?? null,
    note: note ?? null,
    settings: settings as Record<string, { value: unknown; source: string }>,
  };
}
