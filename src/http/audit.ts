import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import type { AuditEntry } from "../fhir/audit-event.ts";
import { outcomeOf } from "../fhir/outcome.ts";
import { peopleShown } from "../fhir/people-shown.ts";
import type { Service } from "../flows/service.ts";
import { audited, writtenEntry } from "../flows/trail.ts";
import { actOf } from "./audit-act.ts";
import type { Doors } from "./doors.ts";
import { retryAfterSeconds } from "./known-errors.ts";
import { clientAddressOf } from "./origin.ts";

declare module "fastify" {
  interface FastifyRequest {
    /** Whose records the entries tell of that the request's own writes brought along; absent where it wrote none. */
    notedPeople?: Set<string>;
    /** What else the entries name; absent where the address says all. */
    alsoNamed?: readonly string[];
  }
}

/** Requests of those whom nobody could tell: they have no tenant, so their trail is that of no tenant. */
const noTenant = 0;

/**
 * Lets no answer out before the trail has it: what was asked, by whom, about whom. The people are read from the answer
 * itself. Writes bring their entry in their own transaction (`withTrail`); an answer that shows others besides, as that of a
 * transaction with reads among its entries, leaves one more. What is refused for coming too often is not
 * kept: whoever sends much would write much.
 */
export function auditAnswers(app: FastifyInstance, doors: Doors): void {
  app.decorateRequest("notedPeople");
  app.decorateRequest("alsoNamed");
  app.addHook("onSend", async (request, reply, payload) => {
    const { statusCode } = reply;
    if (statusCode === 429) return payload;
    const shown = statusCode < 400 && typeof payload === "string" ? peopleShown(payload) : [];
    const { notedPeople } = request;
    const isNoted = notedPeople !== undefined && shown.every((patientId) => notedPeople.has(patientId));
    if (isNoted && statusCode < 400) return payload;
    const entry = entryOf(doors, request, statusCode, shown);
    try {
      await doors.trail.add(request.grant?.tenantId ?? noTenant, entry);
      return payload;
    } catch (error) {
      return withheld(request, reply, error);
    }
  });
}

/** What goes out in the place of an answer that could not be audited: an error of this hook would meet no error handler. */
function withheld(request: FastifyRequest, reply: FastifyReply, error: unknown): string {
  request.log.error({ code: (error as { code?: string } | null)?.code }, "an answer could not be audited");
  for (const name of ["content-length", "content-encoding", "content-range", "etag", "last-modified", "location"])
    reply.removeHeader(name);
  reply.code(503).type("application/fhir+json; charset=utf-8").header("Retry-After", String(retryAfterSeconds));
  const detail =
    "What is asked here is kept in an audit trail, which cannot be written at this moment. Try again soon.";
  return JSON.stringify(outcomeOf([{ kind: "exception", detail, status: 503 }]));
}

/** The service as a request's writes see it: each brings the request's entry into its own transaction. */
export function withTrail(doors: Doors, request: FastifyRequest, service: Service): Service {
  return audited(
    service,
    doors.trail,
    (written) => {
      const entry = entryOf(doors, request, 200, []);
      if (written.length === 0) return entry;
      return { ...entry, ...writtenEntry(written), action: actionOf(entry, written[0]?.action) };
    },
    ({ patientIds }) => {
      request.notedPeople = new Set([...(request.notedPeople ?? []), ...patientIds]);
    },
  );
}

const actions = { create: "C", update: "U", delete: "D" } as const;

/** An update that creates, a conditional delete: what was written knows better than the method, but for deeds of many parts. */
function actionOf(entry: AuditEntry, first: keyof typeof actions | undefined): AuditEntry["action"] {
  return first === undefined || entry.action === "E" || entry.kind === "upload" ? entry.action : actions[first];
}

/** Where and by what request: what every entry of a request has in common. */
export function requestEntry(
  doors: Doors,
  request: FastifyRequest,
): Pick<AuditEntry, "atMs" | "route" | "requestId" | "address"> {
  return {
    atMs: doors.service.now(),
    route: request.routeOptions.url ?? "",
    requestId: request.id,
    address: clientAddressOf(doors.trustedProxies ?? [], request),
  };
}

function entryOf(doors: Doors, request: FastifyRequest, status: number, shown: readonly string[]): AuditEntry {
  const { grant, method } = request;
  const isBreaking = grant?.breakGlass !== undefined;
  const common = requestEntry(doors, request);
  const { patientIds, entities } = subjectOf(request, common.route);
  const query = queryOf(request);
  return {
    ...common,
    ...actOf(method, common.route),
    ...(isBreaking ? { kind: "break-glass" } : {}),
    clientId: grant?.clientId ?? "",
    ...(grant?.clientName === undefined ? {} : { clientName: grant.clientName }),
    outcome: status < 400 ? "0" : status < 500 ? "4" : "8",
    patientIds: [...new Set([...patientIds, ...shown])],
    entities: [...entities, ...(request.alsoNamed ?? [])],
    ...(query === undefined ? {} : { query }),
    ...(isBreaking ? { reason: grant.breakGlass } : status < 400 ? {} : { reason: `Answered with ${status}.` }),
  };
}

const parameters = [
  "type",
  "id",
  "patientId",
  "taskId",
  "planId",
  "uploadId",
  "messageId",
  "clientId",
  "jobId",
  "subscriptionId",
  "file",
] as const;

/** What the address names. */
function subjectOf(request: FastifyRequest, route: string): Pick<AuditEntry, "patientIds" | "entities"> {
  const named = (request.params ?? {}) as { readonly [Name in (typeof parameters)[number]]?: string };
  const type = named.type ?? /^\/fhir\/([A-Z]\w+)\/:id/.exec(route)?.[1];
  const { id, patientId, taskId, planId, uploadId, messageId, clientId, jobId, file, subscriptionId } = named;
  const entities = [
    ...(type !== undefined && id !== undefined ? [`${type}/${id}`] : []),
    ...(taskId === undefined ? [] : [`Task/${taskId}`]),
    ...(planId === undefined ? [] : [`DeviceRequest/${planId}`]),
    ...(subscriptionId === undefined ? [] : [`Subscription/${subscriptionId}`]),
    ...(uploadId === undefined ? [] : [`Upload ${uploadId}`]),
    ...(messageId === undefined ? [] : [`Message ${messageId}`]),
    ...(clientId === undefined ? [] : [`Client ${clientId}`]),
    ...(jobId === undefined ? [] : [`Bulk job ${[jobId, file].filter((part) => part !== undefined).join("/")}`]),
  ];
  return {
    patientIds: type === "Patient" && id !== undefined ? [id] : patientId === undefined ? [] : [patientId],
    entities,
  };
}

/** A search as it was sent, in the address or as a form. */
function queryOf(request: FastifyRequest): string | undefined {
  const at = request.url.indexOf("?");
  const inAddress = at < 0 ? "" : request.url.slice(at + 1);
  const { body } = request;
  const { "content-type": type = "", "content-encoding": packing } = request.headers;
  const isForm = /^application\/x-www-form-urlencoded/i.test(type) && packing === undefined;
  const inBody = isForm && Buffer.isBuffer(body) ? body.toString("utf8") : "";
  const query = [inAddress, inBody].filter((part) => part !== "").join("&");
  return query === "" ? undefined : query;
}
