import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { hasZodFastifySchemaValidationErrors } from "fastify-type-provider-zod";
import { outcomeOf, type Refused, statusOf } from "../fhir/outcome.ts";

/** A refusal on its way out of a door. */
export class RefusedRequest extends Error {
  readonly refusals: readonly Refused[];
  constructor(refusals: readonly Refused[]) {
    super("refused");
    this.refusals = refusals;
  }
}

const fhirJson = "application/fhir+json; charset=utf-8";

/** What Fastify itself refuses, in words that say what to do. */
const ownErrors: Readonly<Record<string, Refused>> = {
  FST_ERR_CTP_BODY_TOO_LARGE: {
    kind: "too-long",
    detail: "The body is larger than this service takes. Send it in parts.",
    status: 413,
  },
  FST_ERR_CTP_INVALID_MEDIA_TYPE: {
    kind: "not-supported",
    detail: "This Content-Type is not taken here. FHIR resources are sent as application/fhir+json.",
    status: 415,
  },
  FST_ERR_CTP_INVALID_CONTENT_LENGTH: { kind: "structure", detail: "Content-Length and body differ.", status: 400 },
  FST_ERR_CTP_EMPTY_JSON_BODY: { kind: "structure", detail: "The body is empty. Send a JSON object.", status: 400 },
  FST_ERR_CTP_INVALID_JSON_BODY: { kind: "structure", detail: "The body is not JSON.", status: 400 },
  FST_ERR_BAD_URL: { kind: "value", detail: "The address is not a valid URL.", status: 400 },
};

/** What PostgreSQL says of values that no check before it saw through. */
const databaseErrors: Readonly<Record<string, Refused>> = {
  "57014": {
    kind: "too-costly",
    detail: "This took longer than allowed and was stopped. Ask for less: name a patient, a date or a code.",
    status: 422,
  },
  "23505": {
    kind: "duplicate",
    detail: "There is already one like it: a finding has one open Task at most. Change that one instead.",
    status: 409,
  },
  "40001": { kind: "conflict", detail: "Somebody changed the same at this moment. Send it again.", status: 409 },
  "40P01": { kind: "conflict", detail: "Somebody changed the same at this moment. Send it again.", status: 409 },
  "22021": {
    kind: "value",
    detail: "The text holds a character that cannot be stored (U+0000). Remove it.",
    status: 400,
  },
  "22P05": { kind: "value", detail: "The text holds a character that cannot be stored. Remove it.", status: 400 },
  "22003": { kind: "value", detail: "A number is too large.", status: 400 },
  "22008": { kind: "value", detail: "A date lies outside what can be stored.", status: 400 },
  "54000": { kind: "too-costly", detail: "The request is too large for one statement. Send it in parts.", status: 422 },
};

/** Turns every error of the app into an OperationOutcome. Only what nobody expected is logged, and says nothing of itself outside. */
export function answerErrors(app: FastifyInstance): void {
  app.setErrorHandler((error, request, reply) => {
    const refusals = refusalsOf(error);
    if (refusals !== undefined) return sendRefusals(reply, refusals);
    request.log.error({ err: error }, "a request failed");
    return sendRefusals(reply, [
      {
        kind: "exception",
        detail: `Something broke here, not in your request. Tell the operator this request's id: ${request.id}.`,
        status: 500,
      },
    ]);
  });
  app.setNotFoundHandler((request, reply) => sendRefusals(reply, [notFound(request)]));
}

function notFound(request: FastifyRequest): Refused {
  const detail = `There is nothing for ${request.method} at this address. FHIR is at /fhir, the JSON API is described at /docs.`;
  return { kind: "not-found", detail, status: 404 };
}

function refusalsOf(error: unknown): readonly Refused[] | undefined {
  if (error instanceof RefusedRequest) return error.refusals;
  if (hasZodFastifySchemaValidationErrors(error)) {
    return error.validation.map((issue) => ({
      kind: "value",
      detail: `${issue.message ?? "Not allowed here"}.`,
      at: issue.instancePath.replace(/^\//, "").replaceAll("/", "."),
      status: 400,
    }));
  }
  const { code = "", statusCode } = error as { code?: string; statusCode?: number };
  const known = ownErrors[code] ?? databaseErrors[code];
  if (known !== undefined) return [known];
  if (statusCode !== undefined && statusCode >= 400 && statusCode < 500) {
    return [{ kind: "invalid", detail: "The request cannot be understood.", status: statusCode }];
  }
  return undefined;
}

/** Sends refusals as an OperationOutcome under the status of the first. */
export function sendRefusals(reply: FastifyReply, refusals: readonly Refused[]): FastifyReply {
  const status = statusOf(refusals);
  if (status === 401) reply.header("WWW-Authenticate", 'Bearer realm="tidegate"');
  return reply
    .code(status)
    .type(fhirJson)
    .send(JSON.stringify(outcomeOf(refusals)));
}
