import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readScopes, roles, scopeText } from "../fhir/scopes.ts";
import { type ClientKeys, clientKeys } from "../flows/client-keys.ts";
import { type Grant, grantOf } from "../flows/grant.ts";
import { assertionAlgorithms, issueAccessToken, type TokenRefusal } from "../flows/issue-token.ts";
import { revoke } from "../flows/revoke-token.ts";
import { auditAnswers, requestEntry, withTrail } from "./audit.ts";
import { bearerOf } from "./bearer.ts";
import type { Doors } from "./doors.ts";
import { originOf } from "./origin.ts";
import { refuseOtherMethods } from "./other-methods.ts";

const form = "application/x-www-form-urlencoded";

/**
 * Tokens for systems, by SMART Backend Services
 * (https://hl7.org/fhir/smart-app-launch/STU2/backend-services.html): issue, look into (RFC 7662), revoke (RFC 7009).
 */
export async function tokenRoutes(app: FastifyInstance, doors: Doors): Promise<void> {
  app.removeAllContentTypeParsers();
  app.addContentTypeParser(form, { parseAs: "string", bodyLimit: 32_768 }, (_request, body, done) => done(null, body));
  app.addHook(
    "onSend",
    async (_request, reply) => void reply.header("Cache-Control", "no-store").header("Pragma", "no-cache"),
  );
  app.decorateRequest("grant");
  auditAnswers(app, doors);
  const keys = doors.clientKeys ?? clientKeys(() => doors.service.now());
  app.post("/token", { schema: { hide: true } }, (request, reply) => sendToken(doors, keys, request, reply));
  app.post("/introspect", { schema: { hide: true } }, (request, reply) => sendIntrospection(doors, request, reply));
  app.post("/revoke", { schema: { hide: true } }, (request, reply) => sendRevocation(doors, request, reply));
  refuseOtherMethods(app, { "/token": ["POST"], "/introspect": ["POST"], "/revoke": ["POST"] });
}

/** Where a client gets its tokens and what it may ask for (https://hl7.org/fhir/smart-app-launch/STU2/conformance.html). */
export function smartConfiguration(doors: Doors, request: FastifyRequest): object {
  const origin = originOf(doors, request);
  const scopes = [...new Set(Object.values(roles).flatMap((role) => readScopes(role).scopes.map(scopeText)))].sort();
  return {
    token_endpoint: `${origin}/auth/token`,
    introspection_endpoint: `${origin}/auth/introspect`,
    revocation_endpoint: `${origin}/auth/revoke`,
    token_endpoint_auth_methods_supported: ["private_key_jwt"],
    token_endpoint_auth_signing_alg_values_supported: assertionAlgorithms,
    grant_types_supported: ["client_credentials"],
    scopes_supported: scopes,
    capabilities: ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
  };
}

/** The fields of a form; undefined where one stands twice or the body is none. */
function fieldsOf(request: FastifyRequest): ReadonlyMap<string, string> | undefined {
  if (typeof request.body !== "string") return undefined;
  const fields = [...new URLSearchParams(request.body)];
  const map = new Map(fields);
  return map.size === fields.length ? map : undefined;
}

async function sendToken(
  doors: Doors,
  keys: ClientKeys,
  request: FastifyRequest,
  reply: FastifyReply,
): Promise<FastifyReply> {
  const fields = fieldsOf(request);
  if (fields === undefined) return refuse(reply, { error: "invalid_request", description: notAForm });
  const field = <Name extends string>(name: Name, key: string) =>
    (fields.has(key) ? { [name]: fields.get(key) } : {}) as { readonly [N in Name]?: string };
  const asked = {
    ...field("grantType", "grant_type"),
    ...field("scope", "scope"),
    ...field("assertionType", "client_assertion_type"),
    ...field("assertion", "client_assertion"),
  };
  const from = requestEntry(doors, request);
  const issued = await issueAccessToken(doors.service, keys, asked, audiencesOf(doors, request), from);
  if (!issued.ok) {
    if (issued.asker !== undefined) request.grant = { ...issued.asker, scopes: [] };
    return refuse(reply, issued.refusal);
  }
  request.notedPeople = new Set();
  doors.trail.touch(issued.value.tenantId);
  const { token, scope, expiresInSeconds } = issued.value;
  return reply.send({ access_token: token, token_type: "bearer", expires_in: expiresInSeconds, scope });
}

const notAForm = `Send a body of type ${form} in which no field stands twice.`;

function refuse(reply: FastifyReply, { error, description }: TokenRefusal): FastifyReply {
  const status = error === "invalid_client" ? 401 : 400;
  return reply.code(status).send({ error, error_description: description });
}

/**
 * Addresses that an assertion may be made out to: as configured, else those of the socket it came by. Never what the
 * request calls itself: an assertion meant for another server could be brought here under that server's name.
 */
function audiencesOf(doors: Doors, request: FastifyRequest): string[] {
  const path = "/auth/token";
  if (doors.publicBaseUrl !== undefined) return [`${doors.publicBaseUrl}${path}`];
  const { localAddress = "127.0.0.1", localPort } = request.socket;
  const plain = localAddress.replace(/^::ffff:(?=\d+\.)/i, "");
  const hosts = new Set(["127.0.0.1", "localhost", "[::1]", plain.includes(":") ? `[${plain}]` : plain]);
  return [...hosts].map((host) => `${request.protocol}://${host}:${localPort}${path}`);
}

/** The grant of whoever asks about a token, by a token of its own. */
async function askingGrant(doors: Doors, request: FastifyRequest): Promise<Grant | undefined> {
  const asking = await grantOf(doors.service, bearerOf(request) ?? "");
  if (asking !== undefined) request.grant = asking;
  return asking;
}

/** What a token is good for: told to the bearer of that very token, and to whoever may see the tenant's clients. */
async function sendIntrospection(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const asking = await askingGrant(doors, request);
  if (asking === undefined)
    return refuse(reply, { error: "invalid_client", description: "Send your own token as bearer." });
  const asked = fieldsOf(request)?.get("token");
  if (asked === undefined)
    return refuse(reply, { error: "invalid_request", description: "Send the token as field token." });
  const found = await grantOf(doors.service, asked);
  const maySee = asking.scopes.some(
    ({ context, of, may }) => context === "tidegate" && of === "clients" && may.includes("r"),
  );
  if (found === undefined || found.tenantId !== asking.tenantId || (found.clientId !== asking.clientId && !maySee)) {
    return reply.send({ active: false });
  }
  return reply.send({
    active: true,
    scope: found.scopes.map(scopeText).join(" "),
    client_id: found.clientId,
    sub: found.clientId,
    iat: Math.floor(found.issuedMs / 1_000),
    exp: Math.floor(found.expiresMs / 1_000),
    token_type: "bearer",
  });
}

/** Ends a token of the client that asks with a token of its own; always answered alike (RFC 7009, 2.2). */
async function sendRevocation(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const asking = await askingGrant(doors, request);
  if (asking === undefined)
    return refuse(reply, { error: "invalid_client", description: "Send your own token as bearer." });
  const token = fieldsOf(request)?.get("token");
  if (token === undefined)
    return refuse(reply, { error: "invalid_request", description: "Send the token as field token." });
  await revoke(withTrail(doors, request, doors.service), asking, token);
  return reply.send({});
}
