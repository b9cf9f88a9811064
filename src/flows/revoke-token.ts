import { forgetOverTokens, revokeToken } from "../store/access-token.ts";
import { inTenant } from "../store/database.ts";
import { listTenants } from "../store/tenant.ts";
import { type Grant, secretHash } from "./grant.ts";
import type { Service } from "./service.ts";

const dayMs = 86_400_000;

/** Ends a token of the same client; another's, or one that is none, is left alone. */
export async function revoke(service: Service, asking: Grant, token: string): Promise<void> {
  await inTenant(service.database, asking.tenantId, (session) =>
    revokeToken(session, secretHash(token), service.now(), asking.clientId),
  );
}

/** Forgets tokens and assertions that were over a day ago. */
export async function forgetTokens(service: Service): Promise<void> {
  for (const { tenantId } of await listTenants(service.database)) {
    await inTenant(service.database, tenantId, (session) => forgetOverTokens(session, service.now() - dayMs));
  }
}
