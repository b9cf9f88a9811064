import { STATUS_CODES } from "node:http";
import type { Socket } from "node:net";
import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { hasZodFastifySchemaValidationErrors } from "fastify-type-provider-zod";
import { outcomeOf, type Refused, statusOf } from "../fhir/outcome.ts";
import { acceptPatch } from "../fhir/patch/patch.ts";
import { knownRefusal, retryAfterSeconds } from "./known-errors.ts";

declare module "fastify" {
  interface FastifyRequest {
    /** R4 issue type of the refusal that answers it; absent where it is answered otherwise. */
    refusedAs?: string | undefined;
  }
}

/** A refusal on its way out of a door. */
export class RefusedRequest extends Error {
  readonly refusals: readonly Refused[];
  constructor(refusals: readonly Refused[]) {
    super("refused");
    this.refusals = refusals;
  }
}

const fhirJson = "application/fhir+json; charset=utf-8";

/** Turns every error of the app into an OperationOutcome. Only what nobody expected is logged, and says nothing of itself outside. */
export function answerErrors(app: FastifyInstance): void {
  app.setErrorHandler(answerError);
  app.setNotFoundHandler((request, reply) => sendRefusals(reply, [notFound(request)]));
}

/** Answers one error; also for those that the router meets before any route is found. */
export function answerError(error: unknown, request: FastifyRequest, reply: FastifyReply): FastifyReply {
  const refusals = refusalsOf(error);
  if (refusals !== undefined) return sendRefusals(reply, refusals);
  request.log.error({ failure: withoutItsMessage(error) }, "a request failed");
  const detail = `Something broke here, not in your request. Tell the operator this request's id: ${request.id}.`;
  return sendRefusals(reply, [{ kind: "exception", detail, status: 500 }]);
}

/** What the log may hold of an error. Messages repeat what was sent – PostgreSQL's quote the value – and so may name a person. */
export function withoutItsMessage(error: unknown): Record<string, unknown> {
  type Told = "name" | "code" | "constraint" | "stack" | "message";
  const { name, code, constraint, stack = "", message = "" } = (error ?? {}) as Partial<Record<Told, string>>;
  // A message of several lines may have some that look like frames.
  const frames = stack
    .slice(stack.indexOf(message) + message.length)
    .split("\n")
    .filter((line) => /^\s+at /.test(line));
  return { name, code, constraint, at: frames.map((line) => line.trim()) };
}

function notFound(request: FastifyRequest): Refused {
  const detail = `There is nothing for ${request.method} at this address. FHIR is at /fhir, the JSON API is described at /docs.`;
  return { kind: "not-found", detail, status: 404 };
}

function refusalsOf(error: unknown): readonly Refused[] | undefined {
  if (error instanceof RefusedRequest) return error.refusals;
  if (hasZodFastifySchemaValidationErrors(error)) {
    return error.validation.map((issue) => {
      const at = issue.instancePath.replace(/^\//, "").replaceAll("/", ".");
      const detail = inWords(issue.message ?? "Not allowed here");
      return { kind: "value", detail, ...(at === "" ? {} : { at }), status: 400 };
    });
  }
  const known = knownRefusal(error);
  return known && [known];
}

/** What zod says of a field, with what to do about it. */
function inWords(message: string): string {
  if (/received undefined$/.test(message)) return "It is missing. Give it; /docs says what it holds.";
  return /^Unrecognized key/.test(message) ? `${message}. Leave it out; /docs lists what is taken.` : `${message}.`;
}

/** Sends refusals as an OperationOutcome under the status of the first. */
export function sendRefusals(reply: FastifyReply, refusals: readonly Refused[]): FastifyReply {
  const status = statusOf(refusals);
  reply.request.refusedAs = refusals[0]?.kind;
  // What the router itself refuses meets no hook.
  reply.header("X-Request-Id", reply.request.id);
  if (status === 401) reply.header("WWW-Authenticate", 'Bearer realm="tidegate"');
  if (status === 415) sayWhatIsTaken(reply);
  if (status === 503) reply.header("Retry-After", String(retryAfterSeconds));
  return reply
    .code(status)
    .type(fhirJson)
    .send(JSON.stringify(outcomeOf(refusals)));
}

/** Types and packings of a body that the address takes (RFC 9110, 15.5.16; RFC 5789, 2.2 for patches). */
function sayWhatIsTaken(reply: FastifyReply): void {
  const { method, url } = reply.request;
  const path = url.split("?")[0] ?? "";
  const fhir = "application/fhir+json, application/json, text/json";
  reply.header("Accept-Encoding", "gzip");
  if (!/^\/fhir(\/|$)/.test(path)) reply.header("Accept", "application/json, text/csv, application/gzip");
  else if (method === "PATCH") reply.header("Accept-Patch", acceptPatch);
  else reply.header("Accept", path.endsWith("/_search") ? "application/x-www-form-urlencoded" : fhir);
}

/** Answers what is no HTTP: it never reaches a route, so the answer is written to the socket itself. */
export function answerBrokenRequest(error: Error & { code?: string }, socket: Socket): void {
  if (error.code === "ECONNRESET" || socket.destroyed) return;
  const refusal = brokenRequests[error.code ?? ""] ?? notHttp;
  const body = JSON.stringify(outcomeOf([refusal]));
  const head = [
    `HTTP/1.1 ${refusal.status} ${STATUS_CODES[refusal.status]}`,
    `Content-Type: ${fhirJson}`,
    `Content-Length: ${Buffer.byteLength(body)}`,
    "Connection: close",
  ];
  if (socket.writable) socket.write(`${head.join("\r\n")}\r\n\r\n${body}`);
  socket.destroySoon();
}

const notHttp = { kind: "structure", detail: "The request is not valid HTTP, or was cut off.", status: 400 } as const;

const brokenRequests: Readonly<Record<string, Refused & { status: number }>> = {
  HPE_HEADER_OVERFLOW: { kind: "too-long", detail: "The headers or the address are too long.", status: 431 },
  ERR_HTTP_REQUEST_TIMEOUT: { kind: "processing", detail: "The request took too long to arrive.", status: 408 },
};
