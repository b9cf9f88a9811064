import { randomUUID } from "node:crypto";
import { readFile } from "node:fs/promises";
import { join } from "node:path";
import { importJWK, SignJWT } from "jose";
import { readDemoClients } from "./demo-clients.ts";

/** Where the demo listens, as its last start wrote it down: FHIR's base, without a slash at the end. */
export async function demoFhirUrl(dataFolder: string): Promise<string> {
  const access = JSON.parse(await readFile(join(dataFolder, "demo-access.json"), "utf8")) as { fhirUrl: string };
  return access.fhirUrl;
}

/**
 * Gets a token for a client of the demo, as any client does (SMART Backend Services): it signs an assertion with its own
 * key and exchanges it. Throws with what to do where there is no such client, or the door says no.
 */
export async function demoTokenFor(dataFolder: string, name: string, scope: string): Promise<string> {
  const { clients } = await readDemoClients(dataFolder);
  const client = clients[name];
  if (client === undefined) throw new Error(`Name one of the demo's clients: ${Object.keys(clients).join(", ")}.`);
  const discovered = await fetch(`${await demoFhirUrl(dataFolder)}/.well-known/smart-configuration`);
  const { token_endpoint: tokenDoor } = (await discovered.json()) as { token_endpoint: string };
  const assertion = await new SignJWT({ jti: randomUUID() })
    .setProtectedHeader({ alg: "ES384", kid: client.key.kid ?? "", typ: "JWT" })
    .setIssuer(client.clientId)
    .setSubject(client.clientId)
    .setAudience(tokenDoor)
    .setExpirationTime("2 minutes")
    .sign(await importJWK(client.key, "ES384"));
  const answer = await fetch(tokenDoor, {
    method: "POST",
    body: new URLSearchParams({
      grant_type: "client_credentials",
      scope,
      client_assertion_type: "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
      client_assertion: assertion,
    }),
  });
  const { access_token: token, error_description: why } = (await answer.json()) as Record<string, string>;
  if (token === undefined) throw new Error(why ?? `The token door answered ${answer.status}.`);
  return token;
}
