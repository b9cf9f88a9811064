import { createHash, randomBytes } from "node:crypto";
import { readableTypes, readScopes, type Scope } from "../fhir/scopes.ts";
import { tokenInForce } from "../store/access-token.ts";
import { readInTenant } from "../store/database.ts";
import { organizationsBelow } from "../store/organization.ts";
import type { Service } from "./service.ts";

/** What the bearer of a token may do, and where. */
export interface Grant {
  readonly tenantId: number;
  readonly clientId: string;
  readonly scopes: readonly Scope[];
  /** The one person that it is bound to. */
  readonly patientId?: string;
  /** The organisations whose people it is bound to. */
  readonly organizationIds?: readonly string[];
}

/** A grant that came with a token of its own, until when it holds. */
export interface IssuedGrant extends Grant {
  readonly issuedMs: number;
  readonly expiresMs: number;
}

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
    const { clientId, scopes, issuedMs, expiresMs, patientId, organizationId } = found;
    const organizationIds =
      organizationId === undefined ? undefined : await organizationsBelow(session, organizationId);
    return {
      tenantId,
      clientId,
      scopes: readScopes(scopes.join(" ")).scopes,
      issuedMs,
      expiresMs,
      ...(patientId === undefined ? {} : { patientId }),
      ...(organizationIds === undefined ? {} : { organizationIds }),
    };
  });
}

/** The service as a grant sees it: what it reads through it shows no type and no person that it may not read. */
export function confined(service: Service, { scopes, patientId, organizationIds }: Grant): Service {
  const types = readableTypes(scopes);
  if (types === undefined && patientId === undefined && organizationIds === undefined) return service;
  const confinement = {
    ...(types === undefined ? {} : { types }),
    ...(patientId === undefined ? {} : { patientId }),
    ...(organizationIds === undefined ? {} : { organizationIds }),
  };
  return { ...service, database: { ...service.database, confinement } };
}
