import { readConfidentiality } from "../fhir/confidentiality.ts";
import { commonScopes, readScopes } from "../fhir/scopes.ts";
import { findClient } from "../store/client.ts";
import { readInTenant } from "../store/database.ts";
import { organizationsAbove, organizationsBelow } from "../store/organization.ts";
import type { SubscriptionState } from "../store/subscription.ts";
import { configuredGrant, confined, type Grant, keepsRecord } from "./grant.ts";
import type { Service } from "./service.ts";

/**
 * The service as the client of a Subscription sees it now: its registration, its organisations and the Consents of this moment
 * count, and of its scopes those that the token had which wrote the Subscription. Undefined where the client is not there any
 * more or was disabled.
 */
export async function seenBySubscriber(
  service: Service,
  tenantId: number,
  { clientId, scopes }: Pick<SubscriptionState, "clientId" | "scopes">,
): Promise<Service | undefined> {
  const written = readScopes(scopes).scopes;
  if (clientId === configuredGrant.clientId)
    return confined(service, { tenantId, ...configuredGrant, scopes: written });
  const grant = await readInTenant(service.database, tenantId, async (session): Promise<Grant | undefined> => {
    const client = await findClient(session, clientId);
    if (client === undefined || client.disabledMs !== undefined) return undefined;
    const { patientId, organizationId } = client;
    const [below, above] =
      organizationId === undefined
        ? []
        : [await organizationsBelow(session, organizationId), await organizationsAbove(session, organizationId)];
    return {
      tenantId,
      clientId,
      clientName: client.name,
      scopes: commonScopes(readScopes(client.scopes.join(" ")).scopes, written),
      confidentiality: readConfidentiality(client.confidentiality) ?? "N",
      keepsRecord: keepsRecord(client.role),
      ...(patientId === undefined ? {} : { patientId }),
      ...(below === undefined ? {} : { organizationIds: below }),
      ...(above === undefined ? {} : { organizationsAbove: above }),
    };
  });
  return grant === undefined ? undefined : confined(service, grant);
}
