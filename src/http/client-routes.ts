import { z } from "zod";
import { changeClient, clientsOf, readClient, registerClient } from "../flows/client.ts";
import { type ApiInstance, outcomeSchema } from "./api-schemas.ts";
import { answered } from "./fhir-answer.ts";

const text = (most: number) =>
  z
    .string()
    .min(1)
    .max(most)
    .refine((one) => one.isWellFormed() && !one.includes("\u0000"), "Text without U+0000");

const fhirId = z.string().regex(/^[A-Za-z0-9\-.]{1,64}$/);

const wanted = {
  name: text(200).describe("What people call the system."),
  role: z.enum(["integration", "dashboard", "commissioner", "administrator"]),
  scope: text(4_000)
    .optional()
    .describe("Scopes between blanks; all that the role may have but tidegate/break-glass.c where it is left out."),
  jwks: z.record(z.string(), z.unknown()).optional().describe("Its public keys, as a JSON Web Key Set."),
  patientId: fhirId.optional().describe("The id of the one person whose records it may read."),
  organizationId: fhirId
    .optional()
    .describe("The id of an organisation: it may read the people of it and of those below it."),
  confidentiality: z
    .enum(["N", "R", "V"])
    .optional()
    .describe(
      "The highest confidentiality that it sees: normal, restricted or very restricted records. Where it is left out, V for the role integration and N for all others. Below V a client reads and updates Tasks, and writes nothing else.",
    ),
  jwksUrl: text(1_000).optional().describe("Where its public keys are fetched, instead of jwks."),
};

const clientBody = z.strictObject(wanted);

const changeBody = z.strictObject({
  ...wanted,
  disabled: z.boolean().optional().describe("Nothing that it holds opens a door any more."),
  expectedVersion: z.number().int().min(1).max(2_147_483_647).describe("The version that was read."),
});

const clientAnswer = z.object({
  clientId: z.string(),
  name: z.string(),
  role: z.string(),
  scope: z.string(),
  keyIds: z.array(z.string()).optional(),
  jwksUrl: z.string().optional(),
  patientId: z.string().optional(),
  organizationId: z.string().optional(),
  confidentiality: z.string(),
  version: z.number().int(),
  changedAt: z.iso.datetime(),
  disabledAt: z.iso.datetime().optional(),
});

const clientParams = z.object({ clientId: z.string().regex(/^[a-z0-9-]{1,63}\.[\w-]{16}$/) });
const pageQuery = z.strictObject({ afterId: z.string().max(100).optional() });

/** Addresses of clients and what they take. */
export const clientAddresses = { "/clients": ["GET", "POST"], "/clients/:clientId": ["GET", "PUT"] } as const;

type Stored = Awaited<ReturnType<typeof clientsOf>>[number];

function shown(client: Stored): z.infer<typeof clientAnswer> {
  const { clientId, name, role, jwks, jwksUrl, version, scopes, changedMs, disabledMs } = client;
  const { patientId, organizationId, confidentiality } = client;
  const keys = (jwks as { keys?: { kid?: string }[] } | undefined)?.keys;
  return {
    clientId,
    name,
    role,
    scope: scopes.join(" "),
    ...(keys === undefined ? {} : { keyIds: keys.flatMap((key) => key.kid ?? []) }),
    ...(jwksUrl === undefined ? {} : { jwksUrl }),
    ...(patientId === undefined ? {} : { patientId }),
    ...(organizationId === undefined ? {} : { organizationId }),
    confidentiality,
    version,
    changedAt: new Date(changedMs).toISOString(),
    ...(disabledMs === undefined ? {} : { disabledAt: new Date(disabledMs).toISOString() }),
  };
}

/** What of a body is there at all. */
function given<T extends object>(body: T): { [K in keyof T]: Exclude<T[K], undefined> } {
  return Object.fromEntries(Object.entries(body).filter(([, value]) => value !== undefined)) as never;
}

/** Who may come in: systems and their keys, registered, changed and disabled by an administrator's client. */
export function clientRoutes(app: ApiInstance): void {
  const tags = ["Clients"];
  app.get(
    "/clients",
    {
      schema: {
        summary: "Clients by id, at most 200",
        tags,
        querystring: pageQuery,
        response: { 200: z.object({ clients: z.array(clientAnswer) }), "4xx": outcomeSchema },
      },
    },
    async (request) => ({
      clients: (await clientsOf(request.service, request.tenantId, request.query.afterId)).map(shown),
    }),
  );
  app.post(
    "/clients",
    {
      schema: {
        summary: "Register a client",
        description: "The answer's clientId is iss and sub of its assertions. Its secret keys never leave it.",
        tags,
        body: clientBody,
        response: { 201: clientAnswer, "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const made = answered(await registerClient(request.service, request.tenantId, given(request.body) as never));
      return reply.code(201).header("Location", `/api/v1/clients/${made.clientId}`).send(shown(made));
    },
  );
  app.get(
    "/clients/:clientId",
    {
      schema: {
        summary: "One client",
        tags,
        params: clientParams,
        response: { 200: clientAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => shown(answered(await readClient(request.service, request.tenantId, request.params.clientId))),
  );
  app.put(
    "/clients/:clientId",
    {
      schema: {
        summary: "Change a client, give it new keys, or disable it",
        description:
          "Keys rotate without a pause: first send both the old and the new one, then the new one alone. What is left out is gone.",
        tags,
        params: clientParams,
        body: changeBody,
        response: { 200: clientAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { expectedVersion, ...body } = given(request.body);
      const { service, tenantId } = request;
      const changed = await changeClient(service, tenantId, request.params.clientId, expectedVersion, body as never);
      return shown(answered(changed));
    },
  );
}
