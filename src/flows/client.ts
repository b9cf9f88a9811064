import { randomBytes } from "node:crypto";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import {
  type Confidentiality,
  confidentialities,
  defaultConfidentiality,
  readConfidentiality,
} from "../fhir/confidentiality.ts";
import type { Definitions } from "../fhir/definitions.ts";
import { limitTerms } from "../fhir/scope-limits.ts";
import {
  ceilingOf,
  commonScopes,
  isWithin,
  type Role,
  readScopes,
  roles,
  type Scope,
  scopeText,
  writtenUnderLimit,
} from "../fhir/scopes.ts";
import { findClient, listClients, type StoredClient, saveClient } from "../store/client.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { tenantOf } from "../store/tenant.ts";
import { isSafeAddress } from "./kept-answers.ts";
import { readKeySet } from "./key-set.ts";
import type { Service } from "./service.ts";

/** A client as somebody asks for it. Keys come along (`jwks`) or are fetched from `jwksUrl`. */
export interface ClientWanted {
  readonly name: string;
  readonly role: string;
  /** Between blanks; everything that the role may have where absent. */
  readonly scope?: string;
  readonly jwks?: unknown;
  readonly jwksUrl?: string;
  readonly disabled?: boolean;
  /** It sees this person's records and nobody else's. */
  readonly patientId?: string;
  /** It sees the people of this organisation and of those below it, and nobody else. */
  readonly organizationId?: string;
  /** The highest confidentiality that it sees: N, R or V; that of its role where absent. */
  readonly confidentiality?: string;
}

/** The most that a client may be allowed that is bound to some people: it reads. */
const boundCeiling = readScopes("system/*.rs tidegate/dashboard.r tidegate/break-glass.c").scopes;

/**
 * The most that a client may be allowed from whom some records are withheld. What creates, deletes or uploads would tell by
 * its answers what is there; an update of a Task answers as if there were none.
 */
export const unclearedCeiling = readScopes(
  "system/*.rs system/Task.u tidegate/dashboard.r tidegate/thresholds.ru tidegate/clients.crud tidegate/audit.r tidegate/releases.cru tidegate/break-glass.c",
).scopes;

const pageOfClients = 200;

/** Registers a client under a new id. */
export async function registerClient(
  service: Service,
  tenantId: number,
  wanted: ClientWanted,
): Promise<Result<StoredClient>> {
  const tenant = await tenantOf(service.database, tenantId);
  const clientId = `${tenant.slug}.${randomBytes(12).toString("base64url")}`;
  return save(service, tenantId, clientId, 1, wanted);
}

/**
 * Changes a client, with new keys where they rotate. `expectedVersion` is the version that was read: another one in force
 * is refused, so nobody's change is overwritten unseen.
 */
export async function changeClient(
  service: Service,
  tenantId: number,
  clientId: string,
  expectedVersion: number,
  wanted: ClientWanted,
): Promise<Result<StoredClient>> {
  const known = await readClient(service, tenantId, clientId);
  if (!known.ok) return known;
  if (known.value.version !== expectedVersion) return refused(changedMeanwhile(clientId));
  return save(service, tenantId, clientId, expectedVersion + 1, wanted);
}

export async function readClient(service: Service, tenantId: number, clientId: string): Promise<Result<StoredClient>> {
  const found = await readInTenant(service.database, tenantId, (session) => findClient(session, clientId));
  return found === undefined
    ? refused({ kind: "not-found", detail: "There is no client of this id here.", status: 404 })
    : accepted(found);
}

/** Clients of a tenant by id, a page from behind `afterId` on. */
export function clientsOf(service: Service, tenantId: number, afterId?: string): Promise<StoredClient[]> {
  return readInTenant(service.database, tenantId, (session) => listClients(session, pageOfClients, afterId));
}

async function save(
  service: Service,
  tenantId: number,
  clientId: string,
  version: number,
  wanted: ClientWanted,
): Promise<Result<StoredClient>> {
  const { refusals, scopes, keys, confidentiality } = checked(service, wanted);
  if (refusals.length > 0) return refused(...refusals);
  const changedMs = service.now();
  const client: StoredClient = {
    clientId,
    name: wanted.name,
    role: wanted.role,
    scopes,
    ...keys,
    ...(wanted.patientId === undefined ? {} : { patientId: wanted.patientId }),
    ...(wanted.organizationId === undefined ? {} : { organizationId: wanted.organizationId }),
    confidentiality,
    version,
    changedMs,
    ...(wanted.disabled === true ? { disabledMs: changedMs } : {}),
  };
  const saved = await inTenant(service.database, tenantId, (session) => saveClient(session, client));
  return saved ? accepted(client) : refused(changedMeanwhile(clientId));
}

function changedMeanwhile(clientId: string): Refusal {
  const detail = `${clientId} was changed meanwhile. Read it again, and send your change with the version it has now.`;
  return { kind: "conflict", detail, at: "expectedVersion", status: 409 };
}

/** The most that a client may be allowed that has this role and clearance, and is bound to some people or not. */
export function clientCeiling(role: Role, confidentiality: Confidentiality, isBound: boolean): readonly Scope[] {
  const ofRole = ceilingOf(role);
  const cleared = confidentiality === "V" ? ofRole : commonScopes(ofRole, unclearedCeiling);
  return isBound ? commonScopes(cleared, boundCeiling) : cleared;
}

function checked(service: Service, wanted: ClientWanted) {
  const { role, scope, jwks, jwksUrl, patientId, organizationId } = wanted;
  const refusals: Refusal[] = [];
  const refuse = (at: string, detail: string) => refusals.push({ kind: "value", detail, at, status: 422 });
  const known = Object.hasOwn(roles, role) ? (role as Role) : undefined;
  if (known === undefined) refuse("role", `A role is one of ${Object.keys(roles).join(", ")}.`);
  const isBound = patientId !== undefined || organizationId !== undefined;
  const confidentiality = readConfidentiality(wanted.confidentiality ?? defaultConfidentiality(known ?? "dashboard"));
  if (confidentiality === undefined) {
    refuse("confidentiality", `A client sees at most one of ${confidentialities.join(", ")}.`);
  }
  const ceiling = known === undefined ? [] : clientCeiling(known, confidentiality ?? "N", isBound);
  if (patientId !== undefined && organizationId !== undefined) {
    refuse("patientId", "A client is bound to one person or to one organisation, not to both.");
  }
  if (isBound && known !== undefined && known !== "dashboard") {
    refuse("role", "A client that is bound to some people has the role dashboard.");
  }
  const { scopes, unknown } = scope === undefined ? { scopes: unasked(ceiling), unknown: [] } : readScopes(scope);
  for (const word of unknown)
    refuse("scope", `"${word.slice(0, 100)}" is no scope here. Write system/Observation.rs or the like.`);
  refusals.push(...refusedLimits(service.definitions, scopes));
  if (known !== undefined && scopes.length === 0) refuse("scope", "A client has at least one scope.");
  if (known !== undefined && !isWithin(scopes, ceiling)) {
    refuse("scope", `Such a client may have at most ${ceiling.map(scopeText).join(" ")}.`);
  }
  if ((jwks === undefined) === (jwksUrl === undefined)) {
    refuse("jwks", "Give either jwks, the client's public keys, or jwksUrl, where they are fetched.");
  }
  if (jwksUrl !== undefined && !isSafeAddress(jwksUrl))
    refuse("jwksUrl", "jwksUrl is an https address without a login.");
  const read = jwks === undefined ? undefined : readKeySet(jwks);
  for (const problem of read?.problems ?? []) refuse("jwks", problem);
  const keys = { ...(read === undefined ? {} : { jwks: read.set }), ...(jwksUrl === undefined ? {} : { jwksUrl }) };
  return { refusals, scopes: scopes.map(scopeText), keys, confidentiality: confidentiality ?? "N" };
}

/** What is wrong with scopes that are limited by a query. */
function refusedLimits(definitions: Definitions, scopes: readonly Scope[]): Refusal[] {
  const details = scopes
    .filter(({ of, limit }) => limit !== undefined && limitTerms(definitions, of, limit) === undefined)
    .map((one) => `${scopeText(one)}: a limit is a search parameter of kind token, such as category=survey.`);
  const written = writtenUnderLimit(scopes);
  if (written !== undefined) details.push(`${written} is read under a limit, so it cannot be written as well.`);
  return details.map((detail) => ({ kind: "value", detail, at: "scope", status: 422 }));
}

/** What a client gets that names no scopes: nobody may break the glass without having asked for it. */
function unasked(ceiling: readonly Scope[]): readonly Scope[] {
  return ceiling.filter(({ context, of }) => context !== "tidegate" || of !== "break-glass");
}
