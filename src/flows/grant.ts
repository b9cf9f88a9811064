import { createHash, randomBytes } from "node:crypto";
import { type Confidentiality, highestShown, readConfidentiality } from "../fhir/confidentiality.ts";
import { askerName } from "../fhir/consent.ts";
import { termLimits } from "../fhir/scope-limits.ts";
import { readableTypes, readScopes, type Scope } from "../fhir/scopes.ts";
import { tokenInForce } from "../store/access-token.ts";
import { type Confinement, readInTenant, withholdingOf } from "../store/database.ts";
import { organizationsAbove, organizationsBelow } from "../store/organization.ts";
import type { Service } from "./service.ts";

/** What the bearer of a token may do, and where. */
export interface Grant {
  readonly tenantId: number;
  readonly clientId: string;
  /** As it was registered; absent where it is not registered here. */
  readonly clientName?: string;
  readonly scopes: readonly Scope[];
  /** The one person that it is bound to. */
  readonly patientId?: string;
  /** The organisations whose people it is bound to. */
  readonly organizationIds?: readonly string[];
  /** The organisation that it belongs to, and those above it. */
  readonly organizationsAbove?: readonly string[];
  /** The highest confidentiality that it sees: N where nothing says. */
  readonly confidentiality?: Confidentiality;
  /** It is the record's own system, which records are not shared with: no Consent stands between the two. */
  readonly keepsRecord?: boolean;
  /** Why this request reads in spite of labels and consents. */
  readonly breakGlass?: string;
}

/** A grant that came with a token of its own, until when it holds. */
export interface IssuedGrant extends Grant {
  readonly issuedMs: number;
  readonly expiresMs: number;
}

/** What tokens of the configuration grant in their tenant, which no registered client stands for. */
export const configuredGrant = {
  clientId: "configured",
  scopes: readScopes("system/*.cruds tidegate/*.cruds").scopes,
  confidentiality: "V",
  keepsRecord: true,
} as const satisfies Omit<Grant, "tenantId">;

/** Tokens name their tenant, so that they are looked for among its rows only; the rest is chance. */
const tokenPattern = /^([0-9a-z]{1,6})\.[\w-]{43}$/;

const greatestTenantId = 2_147_483_647;

/** A new token of a tenant: 256 bits that nobody can guess. */
export function newToken(tenantId: number): string {
  return `${tenantId.toString(36)}.${randomBytes(32).toString("base64url")}`;
}

/** The hash under which a token or an assertion is kept; it itself is kept nowhere. */
export function secretHash(secret: string): Buffer {
  return createHash("sha256").update(secret).digest();
}

/** What an issued token grants now; undefined where it was never issued, is over or revoked, or its client is disabled. */
export async function grantOf(service: Service, token: string): Promise<IssuedGrant | undefined> {
  const tenant = tokenPattern.exec(token)?.[1];
  if (tenant === undefined) return undefined;
  const tenantId = Number.parseInt(tenant, 36);
  if (tenantId > greatestTenantId) return undefined;
  return readInTenant(service.database, tenantId, async (session) => {
    const found = await tokenInForce(session, secretHash(token), service.now());
    if (found === undefined) return undefined;
    const { clientId, role, scopes, issuedMs, expiresMs, patientId, organizationId } = found;
    const organizationIds =
      organizationId === undefined ? undefined : await organizationsBelow(session, organizationId);
    const above = organizationId === undefined ? undefined : await organizationsAbove(session, organizationId);
    return {
      tenantId,
      clientId,
      clientName: found.clientName,
      scopes: readScopes(scopes.join(" ")).scopes,
      confidentiality: readConfidentiality(found.confidentiality) ?? "N",
      keepsRecord: keepsRecord(role),
      issuedMs,
      expiresMs,
      ...(patientId === undefined ? {} : { patientId }),
      ...(organizationIds === undefined ? {} : { organizationIds }),
      ...(above === undefined ? {} : { organizationsAbove: above }),
    };
  });
}

/** Whether a client of this role is the record's own system. Every other one is somebody that records are shared with. */
export function keepsRecord(role: string): boolean {
  return role === "integration";
}

/**
 * The service as a grant sees it: what it reads through it shows no type and no person that it may not read, nothing that is
 * labelled above its clearance, and nothing that a Consent denies it now.
 */
export function confined(service: Service, grant: Grant): Service {
  const limits = termLimits(service.definitions, grant.scopes);
  const confinement = { ...confinementOf(grant, service.now()), ...(limits === undefined ? {} : { limits }) };
  return Object.keys(confinement).length === 0 ? service : within(service, confinement);
}

/**
 * The service as a writer sees what it writes to: what is withheld from it is not there, whatever its types. (Who may write is
 * bound to no people.)
 */
export function asWriter(service: Service): Service {
  return within(service, withholdingOf(service.database.confinement));
}

function within(service: Service, confinement: Confinement | undefined): Service {
  const { confinement: _, ...database } = service.database;
  return { ...service, database: confinement === undefined ? database : { ...database, confinement } };
}

function confinementOf(grant: Grant, nowMs: number): Confinement {
  const { patientId, organizationIds } = grant;
  const types = readableTypes(grant.scopes);
  return {
    ...(types === undefined ? {} : { types }),
    ...(patientId === undefined ? {} : { patientId }),
    ...(organizationIds === undefined ? {} : { organizationIds }),
    ...(grant.breakGlass === undefined ? withholding(grant, nowMs) : {}),
  };
}

function withholding(grant: Grant, nowMs: number): Pick<Confinement, "confidentiality" | "consent"> {
  const { clientId, confidentiality = "N", organizationIds = [], organizationsAbove: above = [] } = grant;
  const highest = highestShown(confidentiality);
  const client = askerName("client", clientId);
  const named = (ids: readonly string[]) => ids.map((id) => askerName("organization", id));
  // Denied to a ward, records would reach it through its hospital; permitted to a ward, they are not to the whole hospital.
  const consent = {
    deniedAs: [client, ...named([...new Set([...above, ...organizationIds])])],
    permittedAs: ["any", client, ...named(above)],
    atMs: nowMs,
  };
  return {
    ...(highest === undefined ? {} : { confidentiality: highest }),
    ...(grant.keepsRecord === true ? {} : { consent }),
  };
}
