import { createHash } from "node:crypto";
import { decodeJwt, decodeProtectedHeader, errors, type JWTPayload, jwtVerify } from "jose";
import { type Confidentiality, defaultConfidentiality } from "../fhir/confidentiality.ts";
import type { Refused } from "../fhir/outcome.ts";
import { commonScopes, type Role, readScopes, type Scope, writtenUnderLimit } from "../fhir/scopes.ts";
import { readInTenant } from "../store/database.ts";
import { organizationsAbove, organizationsBelow } from "../store/organization.ts";
import { findTenant } from "../store/tenant.ts";
import { clientCeiling } from "./client.ts";
import { type Grant, keepsRecord } from "./grant.ts";
import { type IssuerKeys, issuerKeys } from "./issuer-keys.ts";
import { NotFetched } from "./kept-answers.ts";
import type { SignatureAlgorithm } from "./key-set.ts";
import type { Service } from "./service.ts";

/** Somebody else whose access tokens are taken here, and for what. */
export interface TokenIssuer {
  /** `iss` of its tokens, letter by letter. */
  readonly issuer: string;
  /** `aud` of its tokens: what this service is called there. */
  readonly audience: string;
  /** The most that its tokens may let anybody do. */
  readonly role: Role;
  /** The highest confidentiality that they show; that of the role where absent. */
  readonly confidentiality?: Confidentiality;
  readonly algorithms: readonly SignatureAlgorithm[];
  /** The tenant of all its tokens, or the tenant of each value of a claim. */
  readonly tenant: string | { readonly claim: string; readonly slugs: ReadonlyMap<string, string> };
  /** The claim whose value is the one person that a token is bound to. */
  readonly patientClaim?: string;
  /** The claim whose value is the organisation whose people a token is bound to. */
  readonly organizationClaim?: string;
}

/** What a token of an issuer grants, or why nothing; undefined where it is no token of any of them. */
export type ExternalTokens = (token: string) => Promise<Checked<Grant> | undefined>;

type Checked<Value> = Value | { readonly refused: Refused };

/** Clocks differ. */
const toleranceSeconds = 30;

/** Nobody can take such a token back, so one that lasts longer than a day is not taken. */
const longestLifeSeconds = 86_400;

/** The types of RFC 9068, section 4, and the plain one of servers that are older than it. */
const types = new Set(["at+jwt", "application/at+jwt", "jwt"]);

/**
 * Checks access tokens of other issuers as RFC 9068, section 4 asks for it
 * (https://www.rfc-editor.org/rfc/rfc9068#section-4), each with the keys of its own issuer. Nothing of a token is remembered:
 * to check one costs 0.3 ms (RS256) to 0.9 ms (ES384), as much as to look up one of ours, and so a key that is withdrawn and
 * an organisation that moves count at the next request.
 */
export function externalTokens(service: Service, issuers: readonly TokenIssuer[]): ExternalTokens {
  const keys = new Map(issuers.map(({ issuer }) => [issuer, issuerKeys(issuer, service)]));
  return async (token) => {
    const parts = partsOf(token);
    const ofIssuer = keys.get(parts?.claims.iss ?? "");
    if (parts === undefined || ofIssuer === undefined) return undefined;
    const audiences = [parts.claims.aud ?? []].flat();
    const [issuer, other] = issuers.filter(
      ({ issuer, audience }) => issuer === parts.claims.iss && audiences.includes(audience),
    );
    // Of two roles nobody could say which one is meant.
    if (issuer === undefined || other !== undefined) return refusal(unfit);
    const checked = await verified(service, ofIssuer, issuer, token, parts.header);
    return "claims" in checked ? grantOfClaims(service, issuer, checked.claims) : checked;
  };
}

const unfit =
  "The token does not hold: its type, algorithm, key, signature or audience is not what is expected of its issuer. Get a new one from there, made out to this service.";

const keysAway =
  "The keys of the token's issuer cannot be had at the moment, so nobody can say whether it holds. Send it again in a few seconds.";

function refusal(detail: string): { readonly refused: Refused } {
  return { refused: { kind: "login", detail, status: 401 } };
}

/** Header and claims as they are written, which nobody believes yet; undefined where it is no JSON Web Token. */
function partsOf(token: string) {
  try {
    return { header: decodeProtectedHeader(token), claims: decodeJwt(token) };
  } catch {
    return undefined;
  }
}

async function verified(
  service: Service,
  keys: IssuerKeys,
  { issuer, audience, algorithms }: TokenIssuer,
  token: string,
  { alg, kid, typ }: { readonly alg?: unknown; readonly kid?: unknown; readonly typ?: unknown },
): Promise<Checked<{ readonly claims: JWTPayload }>> {
  const isFit =
    algorithms.some((one) => one === alg) &&
    typeof typ === "string" &&
    types.has(typ.toLowerCase()) &&
    typeof kid === "string";
  // Before any key is fetched: whoever sends nonsense should not make us ask.
  if (!isFit) return refusal(unfit);
  try {
    const { payload } = await jwtVerify(token, await keys.of(kid), {
      algorithms: [...algorithms],
      issuer,
      audience,
      requiredClaims: ["exp", "iat"],
      maxTokenAge: longestLifeSeconds,
      clockTolerance: toleranceSeconds,
      currentDate: new Date(service.now()),
    });
    return { claims: payload };
  } catch (error) {
    // Not 401: the token may be good, and its client would throw it away and ask an issuer that is away for another.
    if (error instanceof NotFetched) return { refused: { kind: "exception", detail: keysAway, status: 503 } };
    if (!(error instanceof errors.JOSEError)) throw error;
    return refusal(whatIsWrong(error));
  }
}

/** Claims are looked at after the signature, so what is said of them is said to whoever holds a token of the issuer. */
function whatIsWrong(error: errors.JOSEError): string {
  if (error instanceof errors.JWTExpired || error instanceof errors.JWTClaimValidationFailed) {
    return `The token does not hold now: its claim ${error.claim} is missing, or past, or not reached. Get a new one from its issuer.`;
  }
  return unfit;
}

async function grantOfClaims(service: Service, issuer: TokenIssuer, claims: JWTPayload): Promise<Checked<Grant>> {
  const { exp = 0, iat = 0, cnf } = claims;
  if (exp - iat > longestLifeSeconds) {
    return refusal(
      `The token lasts longer than ${longestLifeSeconds / 3_600} hours, and nobody could take it back. Have its issuer make it shorter.`,
    );
  }
  // Whoever stole it could use it here, where the proof is not asked for (RFC 9449, RFC 8705).
  if (cnf !== undefined)
    return refusal("The token is bound to a key (cnf), which is not asked for here. Get a plain bearer token.");
  const clientId = clientOf(issuer.issuer, claims);
  if (clientId === undefined) return refusal("The token names no client: it has neither client_id nor azp nor sub.");
  const slug = slugOf(issuer, claims);
  const tenant = slug === undefined ? undefined : await findTenant(service.database, slug);
  if (tenant === undefined) {
    return refusal("The token belongs to no tenant of this service. Have its operator look at TOKEN_ISSUERS_FILE.");
  }
  const { tenantId } = tenant;
  const grant = { tenantId, clientId, ...allowed(issuer, claims) };
  const { patientClaim, organizationClaim } = issuer;
  const bound = patientClaim ?? organizationClaim;
  if (bound === undefined) return grant;
  const id = textOf(claims, bound);
  // Without the claim it would be bound to nobody, and that is to see everybody.
  if (id === undefined || !/^[A-Za-z0-9.-]{1,64}$/.test(id)) {
    return refusal(`The token does not say whose records it is for: its claim ${bound} holds no id of a resource.`);
  }
  if (patientClaim !== undefined) return { ...grant, patientId: id };
  return readInTenant(service.database, tenantId, async (session) => ({
    ...grant,
    organizationIds: await organizationsBelow(session, id),
    organizationsAbove: await organizationsAbove(session, id),
  }));
}

function slugOf({ tenant }: TokenIssuer, claims: JWTPayload): string | undefined {
  return typeof tenant === "string" ? tenant : tenant.slugs.get(textOf(claims, tenant.claim) ?? "");
}

function textOf(claims: JWTPayload, name: string): string | undefined {
  const value = Object.hasOwn(claims, name) ? claims[name] : undefined;
  return typeof value === "string" ? value : undefined;
}

/** What the token asks for in `scope` (RFC 9068), or in `scp` of older servers, as far as a client like it may have it. */
function allowed(issuer: TokenIssuer, claims: JWTPayload): Pick<Grant, "scopes" | "confidentiality" | "keepsRecord"> {
  const { role, confidentiality = defaultConfidentiality(role), patientClaim, organizationClaim } = issuer;
  const texts = [claims.scope ?? claims.scp ?? []].flat().filter((one) => typeof one === "string");
  const asked = readScopes(texts.join(" ")).scopes;
  const ceiling = clientCeiling(role, confidentiality, (patientClaim ?? organizationClaim) !== undefined);
  const scopes = commonScopes(asked, ceiling);
  // Such a token is no use: what it writes would tell of what its limit leaves out.
  const usable = writtenUnderLimit(scopes) === undefined ? scopes : [];
  return { scopes: named(usable, asked), confidentiality, keepsRecord: keepsRecord(role) };
}

/** Without the breaking of the glass where that is not asked for by its name: who asks for everything has no reason for it. */
function named(scopes: readonly Scope[], asked: readonly Scope[]): readonly Scope[] {
  return asked.some(({ of }) => of === "break-glass") ? scopes : scopes.filter(({ of }) => of !== "break-glass");
}

const longestClient = 100;

/** The client as the audit trail names it: behind its issuer's address, with a slash, which no id of ours has. */
function clientOf(issuer: string, claims: JWTPayload): string | undefined {
  const { host, pathname } = new URL(issuer);
  const named = ["client_id", "azp", "sub"].flatMap((name) => textOf(claims, name) || [])[0];
  if (named === undefined) return undefined;
  const safe = encodeURIComponent(named.toWellFormed());
  const hash = createHash("sha256").update(named).digest("hex").slice(0, 32);
  return `${host}${pathname.replace(/\/$/, "")}/${safe.length > longestClient ? `${safe.slice(0, longestClient - 33)}~${hash}` : safe}`;
}
