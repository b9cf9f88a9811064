import { decodeJwt, decodeProtectedHeader, errors, jwtVerify } from "jose";
import type { AuditEntry } from "../fhir/audit-event.ts";
import { commonScopes, readScopes, scopeText, writtenUnderLimit } from "../fhir/scopes.ts";
import { issueToken } from "../store/access-token.ts";
import { noteAudit } from "../store/audit.ts";
import { findClient, type StoredClient } from "../store/client.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { findTenant } from "../store/tenant.ts";
import type { ClientKeys } from "./client-keys.ts";
import { newToken, secretHash } from "./grant.ts";
import type { Service } from "./service.ts";

/** The fields of a token request as they were sent; absent where they were not. */
export interface TokenRequest {
  readonly grantType?: string;
  readonly scope?: string;
  readonly assertionType?: string;
  readonly assertion?: string;
}

export interface TokenAnswer {
  readonly tenantId: number;
  readonly token: string;
  readonly scope: string;
  readonly expiresInSeconds: number;
}

/** A refusal in the words of OAuth (https://www.rfc-editor.org/rfc/rfc6749#section-5.2). */
export interface TokenRefusal {
  readonly error: "invalid_request" | "invalid_client" | "invalid_scope" | "unsupported_grant_type";
  readonly description: string;
}

/** Algorithms of assertions (https://hl7.org/fhir/smart-app-launch/STU2/client-confidential-asymmetric.html). */
export const assertionAlgorithms = ["RS384", "ES384"] as const;

export const assertionType = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";

/** How long a token holds; the guide recommends no longer than five minutes. */
const tokenSeconds = 300;

/** The furthest ahead that an assertion may expire. */
const longestAssertionSeconds = 300;

const longestAssertion = 8_192;

/** Whoever asked, as far as that was told truly: the client that an assertion names, once there is one of this name. */
export interface Asker {
  readonly tenantId: number;
  readonly clientId: string;
}

type Answer =
  | { readonly ok: true; readonly value: TokenAnswer }
  | { readonly ok: false; readonly refusal: TokenRefusal; readonly asker?: Asker };

/**
 * Exchanges a client's signed assertion for a short-lived token
 * (https://hl7.org/fhir/smart-app-launch/STU2/backend-services.html). `audiences` are the addresses of the token door that
 * an assertion may be made out to. Each assertion is good for one token, in every process on the database. What is wrong
 * with an assertion is told only as far as it helps an honest client. `login` is what the trail will say of where the
 * request came from; its entry is part of the transaction that issues the token.
 */
export async function issueAccessToken(
  service: Service,
  keys: ClientKeys,
  asked: TokenRequest,
  audiences: readonly string[],
  login: Pick<AuditEntry, "route" | "requestId" | "address">,
): Promise<Answer> {
  if (asked.grantType !== "client_credentials") {
    return refused("unsupported_grant_type", "grant_type is client_credentials; no other is answered here.");
  }
  if (asked.assertionType !== assertionType || asked.assertion === undefined) {
    return refused("invalid_request", `Send client_assertion_type=${assertionType} and a client_assertion.`);
  }
  const { scopes: wanted } = readScopes(asked.scope ?? "");
  if (wanted.length === 0) {
    return refused("invalid_scope", "Name the scopes that the token is for, such as system/Observation.rs.");
  }
  const known = await clientOf(service, asked.assertion);
  if (typeof known === "string") return refused("invalid_client", known);
  const { tenantId, client } = known;
  const verified = await verify(service, keys, client, asked.assertion, audiences);
  const asker = { tenantId, clientId: client.clientId };
  if (typeof verified === "string") return refused("invalid_client", verified, asker);
  const scopes = commonScopes(wanted, readScopes(client.scopes.join(" ")).scopes);
  if (scopes.length === 0) {
    return refused("invalid_scope", "The client is registered for none of these scopes.", asker);
  }
  const written = writtenUnderLimit(scopes);
  if (written !== undefined) {
    return refused(
      "invalid_scope",
      `${written} is read under a limit, so it cannot be written with the same token.`,
      asker,
    );
  }
  const token = newToken(tenantId);
  const nowMs = service.now();
  const isFirst = await inTenant(service.database, tenantId, async (session) => {
    const isNew = await issueToken(session, {
      clientId: client.clientId,
      tokenHash: secretHash(token),
      scopes: scopes.map(scopeText),
      issuedMs: nowMs,
      expiresMs: nowMs + tokenSeconds * 1_000,
      assertionHash: secretHash(verified.jti),
      assertionExpiresMs: verified.exp * 1_000,
    });
    if (isNew) noteAudit(session, loginEntry(login, client, nowMs));
    return isNew;
  });
  if (!isFirst) {
    return refused("invalid_client", "This jti was used before: make a new assertion for each token.", asker);
  }
  return {
    ok: true,
    value: { tenantId, token, scope: scopes.map(scopeText).join(" "), expiresInSeconds: tokenSeconds },
  };
}

function refused(error: TokenRefusal["error"], description: string, asker?: Asker): Answer {
  return { ok: false, refusal: { error, description }, ...(asker === undefined ? {} : { asker }) };
}

function loginEntry(
  login: Pick<AuditEntry, "route" | "requestId" | "address">,
  { clientId, name }: StoredClient,
  atMs: number,
): AuditEntry {
  const told = { kind: "login", action: "E", outcome: "0", patientIds: [], entities: [] } as const;
  return { ...login, ...told, atMs, clientId, clientName: name };
}

/** One answer to all who have not shown a client's key: nobody learns by asking which clients there are. */
const unknown =
  "No client of this id is registered here with this key (kid, jku), or it is disabled, or its keys cannot be fetched, or the signature does not hold.";

/** Whoever the assertion says that it comes from, which is not believed yet; else why there is nobody. */
async function clientOf(
  service: Service,
  assertion: string,
): Promise<{ readonly tenantId: number; readonly client: StoredClient } | string> {
  const read = assertion.length > longestAssertion ? undefined : partsOf(assertion);
  if (read === undefined)
    return `client_assertion is a signed JSON Web Token of at most ${longestAssertion} characters.`;
  const { iss, sub, kid, alg } = read;
  if (typeof iss !== "string" || iss !== sub) return "iss and sub of the assertion are both the client's id.";
  if (kid === undefined) return "The header of the assertion names its key by kid.";
  if (!assertionAlgorithms.some((one) => one === alg)) return `alg is ${assertionAlgorithms.join(" or ")}.`;
  const [slug = ""] = iss.split(".");
  const tenant = iss.length > 128 ? undefined : await findTenant(service.database, slug);
  if (tenant === undefined) return unknown;
  const client = await readInTenant(service.database, tenant.tenantId, (session) => findClient(session, iss));
  return client === undefined || client.disabledMs !== undefined ? unknown : { tenantId: tenant.tenantId, client };
}

function partsOf(assertion: string): Partial<Record<"iss" | "sub" | "kid" | "alg", unknown>> | undefined {
  try {
    const { kid, alg } = decodeProtectedHeader(assertion);
    const { iss, sub } = decodeJwt(assertion);
    return { iss, sub, kid, alg };
  } catch {
    return undefined;
  }
}

async function verify(
  service: Service,
  keys: ClientKeys,
  client: StoredClient,
  assertion: string,
  audiences: readonly string[],
): Promise<{ readonly jti: string; readonly exp: number } | string> {
  try {
    const { jku, kid = "" } = decodeProtectedHeader(assertion);
    if (jku !== undefined && jku !== client.jwksUrl) return unknown;
    const nowMs = service.now();
    const { payload } = await jwtVerify(assertion, await keys.of(client, kid), {
      algorithms: [...assertionAlgorithms],
      audience: [...audiences],
      issuer: client.clientId,
      subject: client.clientId,
      requiredClaims: ["exp", "jti"],
      currentDate: new Date(nowMs),
    });
    const { exp = 0, jti } = payload;
    if (typeof jti !== "string" || jti.length === 0 || jti.length > 255) return "jti is a text of 1 to 255 characters.";
    if (exp * 1_000 > nowMs + longestAssertionSeconds * 1_000) {
      return `exp is at most ${longestAssertionSeconds} seconds ahead.`;
    }
    return { jti, exp };
  } catch (error) {
    if (!(error instanceof errors.JOSEError)) throw error;
    return whatIsWrong(error, audiences);
  }
}

/** Claims are looked at behind the signature only: what is wrong with them is told to the client itself. */
function whatIsWrong(error: errors.JOSEError, audiences: readonly string[]): string {
  if (error instanceof errors.JWTExpired) return "The assertion is over: exp is past.";
  if (error instanceof errors.JWTClaimValidationFailed) {
    if (error.claim === "aud") return `aud is the address of this token door: ${audiences[0] ?? ""}.`;
    return `The claim ${error.claim} does not hold.`;
  }
  return unknown;
}
