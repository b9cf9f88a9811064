import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result } from "../domain/result.ts";
import { contentFindings, type ValidationFindings, type ValidationRequest } from "../fhir/validate.ts";
import { inTenant, readInTenant, type TenantSession, withTheirEyes } from "../store/database.ts";
import { readResource } from "../store/resource.ts";
import { read } from "./read-resource.ts";
import { refuseDangling, refuseStillReferred } from "./reference-policy.ts";
import type { Service } from "./service.ts";
import { idRefusal } from "./write-resource.ts";

/** What the address of `$validate` names. */
export interface ValidationTarget {
  readonly type: string;
  readonly id?: string;
}

/**
 * Tells what a write would be refused for, and writes nothing. Without a mode the content alone is looked at; `create`
 * and `update` also ask whether what is referred to is here, `delete` whether something still refers to it. Refused
 * only where the address names nothing that could be looked at.
 */
export async function validate(
  service: Service,
  tenantId: number,
  target: ValidationTarget,
  request: ValidationRequest,
): Promise<Result<ValidationFindings>> {
  const { type, id } = target;
  const { mode, profile } = request;
  if (mode === "delete" && id !== undefined) return accepted(await deletionFindings(service, tenantId, type, id));
  if (request.resource === undefined) {
    const stored = await read(service, tenantId, type, id ?? "");
    if (!stored.ok) return stored;
    return accepted(contentFindings(service.definitions, JSON.parse(stored.value.body), type, profile));
  }
  const found = contentFindings(service.definitions, request.resource, type, profile);
  const resource = request.resource as Resource;
  const differs = mode === "update" && id !== undefined ? idRefusal(type, resource.id, id) : undefined;
  // A reference is looked up only where R4 allows it to be written as it is.
  const dangling =
    mode === undefined || found.errors.length > 0 ? [] : await danglingIn(service, tenantId, target, resource);
  const absent = mode === "update" && id !== undefined ? await absence(service, tenantId, type, id, "create it") : [];
  return accepted({
    errors: [...found.errors, ...(differs === undefined ? [] : [differs]), ...dangling],
    warnings: [...found.warnings, ...absent],
  });
}

async function danglingIn(
  service: Service,
  tenantId: number,
  target: ValidationTarget,
  resource: Resource,
): Promise<Refusal[]> {
  const written = { type: target.type, id: target.id ?? service.newId(), resource };
  return asAsker(service, tenantId, (session) => refuseDangling(service, session, [written], new Set()));
}

async function deletionFindings(
  service: Service,
  tenantId: number,
  type: string,
  id: string,
): Promise<ValidationFindings> {
  const warnings = await absence(service, tenantId, type, id, "change nothing");
  if (warnings.length > 0) return { errors: [], warnings };
  const errors = await asAsker(service, tenantId, (session) => refuseStillReferred(service, session, [{ type, id }]));
  return { errors, warnings };
}

/** What a client may not see, a validation must not tell it: neither that it is there nor that it points somewhere. */
function asAsker<T>({ database }: Service, tenantId: number, work: (session: TenantSession) => Promise<T>): Promise<T> {
  return inTenant(database, tenantId, (session) =>
    withTheirEyes(database, session, () => work(session), database.confinement),
  );
}

/** No error: an update may make the first version, and a deletion of nothing is none. */
async function absence(
  service: Service,
  tenantId: number,
  type: string,
  id: string,
  instead: string,
): Promise<Refusal[]> {
  const stored = await readInTenant(service.database, tenantId, (session) => readResource(session, type, id));
  if (stored !== undefined && !stored.deleted) return [];
  return [{ kind: "not-found", detail: `There is no ${type}/${id} here: this would ${instead}.` }];
}
