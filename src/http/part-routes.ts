import type { FastifyReply, FastifyRequest } from "fastify";
import { z } from "zod";
import { type PatientParts, partForecast, patientParts, type ServiceForecast } from "../flows/parts.ts";
import { type ApiInstance, outcomeSchema, patientParams } from "./api-schemas.ts";
import { csvOf } from "./csv.ts";
import { cautions, type Doors } from "./doors.ts";
import { answered } from "./fhir-answer.ts";

const needSchema = z.object({ kind: z.string(), day: z.iso.date(), overdue: z.boolean() });

const partsAnswer = z.object({
  cautions: z.string(),
  patientId: z.string(),
  day: z.iso.date(),
  thresholdsVersion: z.string(),
  parts: z.array(
    z.object({
      partId: z.string(),
      kind: z.string(),
      title: z.string(),
      machineId: z.string().optional(),
      fittedDay: z.iso.date(),
      endDay: z.iso.date().optional().describe("The first day on which it is no longer fitted."),
      state: z.enum(["in-use", "due-soon", "due", "overdue", "replaced", "removed"]),
      daysOverdue: z.number().int(),
      replaceByDay: z.iso.date().optional(),
      because: z.string().optional(),
      why: z.string().optional(),
      checkByDay: z.iso.date().optional(),
      use: z.object({ sessions: z.number().int(), hours: z.number() }).optional(),
      source: z.string().optional().describe("Where the interval comes from."),
    }),
  ),
  needs: z.object({ within30Days: z.array(needSchema), within90Days: z.array(needSchema) }),
});

const forecastQuery = z.strictObject({
  days: z.enum(["30", "90"]).default("30").describe("How far ahead."),
  organization: z
    .string()
    .regex(/^[A-Za-z0-9\-.]{1,64}$/)
    .optional()
    .describe("Only patients managed by this Organization."),
  format: z.enum(["json", "csv"]).optional().describe("csv gives a table, one row for each need of each patient."),
  count: z.coerce.number().int().min(1).max(1_000).default(200).describe("Patients on a page; a CSV holds them all."),
  cursor: z.string().max(1_000).optional(),
});

const forecastAnswer = z.object({
  cautions: z.string(),
  days: z.number().int(),
  kinds: z.array(
    z.object({ kind: z.string(), count: z.number().int(), overdue: z.number().int(), patients: z.number().int() }),
  ),
  patients: z.array(z.object({ patientId: z.string(), name: z.string(), needs: z.array(needSchema) })),
  next: z.string().optional(),
});

/** Addresses of these doors with the methods that they answer. */
export const partAddresses = {
  "/patients/:patientId/parts": ["GET"],
  "/parts/forecast": ["GET"],
} as const;

/** Parts that wear: of one person, and what the store room needs. */
export function partRoutes(app: ApiInstance, doors: Doors): void {
  patientPartsRoute(app);
  forecastRoute(app, doors);
}

function patientPartsRoute(app: ApiInstance): void {
  app.get(
    "/patients/:patientId/parts",
    {
      schema: {
        summary: "One person's parts: what is due, why, and what is needed next",
        description: "Every part ever fitted, in that order. Months are calendar months in the person's local days.",
        tags: ["Parts"],
        params: patientParams,
        response: { 200: partsAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => shown(answered(await patientParts(request.service, request.tenantId, request.params.patientId))),
  );
}

function shown({ parts, needs, ...rest }: PatientParts): z.infer<typeof partsAnswer> {
  const soon = new Date(`${rest.day}T00:00:00Z`).getTime() + 30 * 86_400_000;
  return {
    cautions,
    ...rest,
    parts: parts.map(
      ({ part, kind, title, state, daysOverdue, replaceByDay, limit, why, checkByDay, use, endDay }) => ({
        partId: part.partId,
        kind: part.kind,
        title,
        ...(part.machineId === undefined ? {} : { machineId: part.machineId }),
        fittedDay: part.fittedDay,
        ...(endDay === undefined ? {} : { endDay }),
        state,
        daysOverdue,
        ...(replaceByDay === undefined ? {} : { replaceByDay }),
        ...(limit === undefined ? {} : { because: limit.reason }),
        ...(why === undefined ? {} : { why }),
        ...(checkByDay === undefined ? {} : { checkByDay }),
        ...(use === undefined ? {} : { use: { sessions: use.sessions, hours: Math.round(use.hours * 100) / 100 } }),
        ...(kind === undefined ? {} : { source: kind.source }),
      }),
    ),
    needs: {
      within30Days: needs.filter(({ day }) => Date.parse(`${day}T00:00:00Z`) < soon),
      within90Days: [...needs],
    },
  };
}

function forecastRoute(app: ApiInstance, doors: Doors): void {
  app.get(
    "/parts/forecast",
    {
      schema: {
        summary: "What the store room needs in the next 30 or 90 days",
        description:
          "By kind of part, and patient by patient in pages; as the last review of each patient foresaw it, at most a day ago. `format=csv` or `Accept: text/csv` gives all of it as a table.",
        tags: ["Parts"],
        querystring: forecastQuery,
        response: { 200: z.union([forecastAnswer, z.string()]), "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const { days: asked, organization, format, count, cursor } = request.query;
      const query = { days: Number(asked), ...(organization === undefined ? {} : { organizationId: organization }) };
      const { tenantId } = request;
      const wantsCsv = format === "csv" || (format === undefined && /\btext\/csv\b/.test(request.headers.accept ?? ""));
      if (wantsCsv) return sendCsv(request, query, reply);
      const list = ["part-forecast", tenantId, query.days, organization ?? ""];
      const afterId = cursor === undefined ? undefined : (doors.cursors.read(list, cursor) as string);
      const page = { count, ...(afterId === undefined ? {} : { afterId }) };
      const { next, ...found } = await partForecast(request.service, tenantId, query, page);
      return {
        cautions,
        days: query.days,
        kinds: [...found.kinds],
        patients: patientsOf(found),
        ...(next === undefined ? {} : { next: doors.cursors.write(list, next) }),
      };
    },
  );
}

function patientsOf({ patients }: Pick<ServiceForecast, "patients">): z.infer<typeof forecastAnswer>["patients"] {
  return patients.map((one) => ({ ...one, needs: [...one.needs] }));
}

/** Patients of one statement; a table of all is made of so many at a time. */
const csvPage = 1_000;

async function sendCsv(
  { service, tenantId }: Pick<FastifyRequest, "service" | "tenantId">,
  query: { readonly days: number; readonly organizationId?: string },
  reply: FastifyReply,
): Promise<string> {
  const rows: (string | boolean)[][] = [];
  for (let afterId: string | undefined = ""; afterId !== undefined; ) {
    const page: ServiceForecast = await partForecast(service, tenantId, query, { count: csvPage, afterId });
    for (const { patientId, name, needs } of page.patients) {
      for (const { kind, day, overdue } of needs) rows.push([patientId, name, kind, day, overdue]);
    }
    afterId = page.next;
  }
  reply.type("text/csv; charset=utf-8");
  reply.header("Content-Disposition", `attachment; filename="parts-${query.days}-days.csv"`);
  // Already text; the schema's serializer would write it as JSON.
  reply.serializer(String);
  return csvOf(["patient", "name", "part", "needed by", "overdue"], rows);
}
