import type { FastifyInstance, FastifyRequest } from "fastify";
import { type Need, scopeText } from "../fhir/scopes.ts";
import { type Cause, causedBy } from "../flows/cause.ts";
import { configuredGrant, confined, type Grant, grantOf } from "../flows/grant.ts";
import type { Service } from "../flows/service.ts";
import { auditAnswers, withTrail } from "./audit.ts";
import { bearerOf, tokenHash } from "./bearer.ts";
import { withGlassBroken } from "./break-glass.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { conditionalCreate, needsOf, needsOfRoute, unmet } from "./needs.ts";
import { readFrom, tellWhereRead } from "./read-from.ts";

declare module "fastify" {
  interface FastifyRequest {
    /** What the request's token lets it do. */
    grant: Grant;
    /** The tenant that the token is bound to. */
    tenantId: number;
    /** The service as this token may see it. */
    service: Service;
    /** The span of the request, as W3C Trace Context names it; absent where no spans are told. */
    traceparent?: string;
  }
}

/**
 * Lets only bearers of a valid token through to this plugin's routes, to what its scopes let pass, and binds each request
 * to its tenant. A route that says nothing of its needs is a mistake, and the service does not start.
 */
export function requireToken(app: FastifyInstance, doors: Doors): void {
  app.decorateRequest("grant");
  app.decorateRequest("tenantId", 0);
  app.decorateRequest("service");
  auditAnswers(app, doors);
  tellWhereRead(app);
  app.addHook("onRoute", ({ method, url, schema }) => {
    if (schema?.hide === true) return;
    for (const one of [method].flat()) {
      if (one !== "HEAD" && needsOfRoute(one, url) === undefined) {
        throw new Error(`${one} ${url} has no line in http/needs.ts: nobody could say who may use it`);
      }
    }
  });
  app.addHook("onRequest", async (request) => {
    request.grant = await grantOfRequest(request, doors);
    request.tenantId = request.grant.tenantId;
    request.grant = withGlassBroken(request, request.grant);
    const service = causedBy({ ...seenBy(doors, request.grant), log: request.log }, causeOf(request));
    request.service = readFrom(doors, request, withTrail(doors, request, service));
    const texts = needsOfRoute(request.method, request.routeOptions.url ?? "");
    const named = request.params as Record<string, string>;
    if (texts !== undefined) requireScopes(request, needsOf(texts, named));
    if (request.headers["if-none-exist"] !== undefined) requireScopes(request, needsOf(conditionalCreate, named));
  });
}

function causeOf({ id, traceparent }: FastifyRequest): Cause {
  return { requestId: id, ...(traceparent === undefined ? {} : { traceparent }) };
}

/** The service as a grant sees it, and knowing who writes. */
function seenBy({ service }: Doors, grant: Grant): Service {
  const writer = { clientId: grant.clientId, scopes: grant.scopes.map(scopeText).join(" ") };
  return { ...confined(service, grant), writer };
}

/**
 * What the request's token grants now, for answers that go on for long: undefined where it is over or was taken back, or the
 * client was.
 */
export async function grantedStill(request: FastifyRequest, doors: Doors): Promise<Service | undefined> {
  const grant = await grantOfRequest(request, doors).catch(() => undefined);
  return grant === undefined ? undefined : seenBy(doors, grant);
}

/** Refuses a request whose token lets not all of this pass. */
export function requireScopes(request: FastifyRequest, needs: readonly Need[], at?: string): void {
  const missing = unmet(request.grant.scopes, needs);
  if (missing === undefined) return;
  const { context, of, to } = missing;
  const scope = of === "" ? "one" : `${context}/${of}.${to}`;
  const detail = `The token has no scope that allows this: it takes ${scope}. Ask for a token with it, or have the client registered for it.`;
  throw new RefusedRequest([{ kind: "forbidden", detail, status: 403, ...(at === undefined ? {} : { at }) }]);
}

async function grantOfRequest(request: FastifyRequest, doors: Doors): Promise<Grant> {
  const token = bearerOf(request);
  const grant =
    token === undefined
      ? undefined
      : (grantOfConfigured(doors, token) ??
        (await grantOf(doors.service, token)) ??
        (await externalGrant(doors, token)));
  if (grant !== undefined) return grant;
  const detail =
    "Send a valid token in the Authorization header: Bearer <token>. /fhir/.well-known/smart-configuration says where to get one.";
  throw new RefusedRequest([{ kind: "login", detail, status: 401 }]);
}

// Looked up by its hash: what a comparison's time could tell is about the hash, not about the token.
function grantOfConfigured({ tokens }: Doors, token: string): Grant | undefined {
  const tenantId = tokens.get(tokenHash(token));
  return tenantId === undefined ? undefined : { tenantId, ...configuredGrant };
}

async function externalGrant({ externalTokens }: Doors, token: string): Promise<Grant | undefined> {
  const checked = await externalTokens?.(token);
  if (checked !== undefined && "refused" in checked) throw new RefusedRequest([checked.refused]);
  return checked;
}
