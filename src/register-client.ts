import { readFile } from "node:fs/promises";
import { parseArgs } from "node:util";
import { registerClient } from "./flows/client.ts";
import type { Service } from "./flows/service.ts";
import { ensureTenant } from "./store/tenant.ts";

/** How the command is called. */
export const registerClientUsage =
  'register-client --tenant demo --name "Ward dashboard" --role dashboard (--jwks keys.json | --jwks-url https://…) [--scope "system/Task.rs"] [--organization id | --patient id] [--confidentiality N|R|V]';

/**
 * Registers a client from the command line: the first administrator of a tenant has nobody to ask. Answers what to tell
 * whoever runs the client; throws with what to mend.
 */
export async function registerClientCommand(service: Service, args: readonly string[]): Promise<string> {
  const text = { type: "string" } as const;
  const { values } = parseArgs({
    args: [...args],
    options: {
      tenant: text,
      name: text,
      role: text,
      scope: text,
      jwks: text,
      "jwks-url": text,
      organization: text,
      patient: text,
      confidentiality: text,
    },
  });
  const { tenant, name, role, scope, jwks, organization, patient, confidentiality } = values;
  const jwksUrl = values["jwks-url"];
  if (tenant === undefined || !/^[a-z0-9-]{1,63}$/.test(tenant) || name === undefined || role === undefined) {
    throw new Error(`Call it as:\n  ${registerClientUsage}`);
  }
  const { tenantId } = await ensureTenant(service.database, tenant);
  const made = await registerClient(service, tenantId, {
    name,
    role,
    ...(scope === undefined ? {} : { scope }),
    ...(jwks === undefined ? {} : { jwks: JSON.parse(await readFile(jwks, "utf8")) as unknown }),
    ...(jwksUrl === undefined ? {} : { jwksUrl }),
    ...(organization === undefined ? {} : { organizationId: organization }),
    ...(patient === undefined ? {} : { patientId: patient }),
    ...(confidentiality === undefined ? {} : { confidentiality }),
  });
  if (!made.ok) throw new Error(made.refusals.map((one) => one.detail).join("\n"));
  const { clientId, scopes } = made.value;
  return `Registered as ${clientId}\nIt may ask for: ${scopes.join(" ")}`;
}
