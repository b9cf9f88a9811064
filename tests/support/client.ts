import { randomUUID } from "node:crypto";
import { type CryptoKey, exportJWK, generateKeyPair, type JWTPayload, SignJWT } from "jose";
import { type ClientWanted, registerClient } from "../../src/flows/client.ts";
import { assertionType } from "../../src/flows/issue-token.ts";
import type { TestApp } from "./app.ts";
import { tokenDoor } from "./token-door.ts";

export { tokenDoor };

/** A registered client of a test with its secret key. */
export interface TestClient {
  readonly clientId: string;
  readonly kid: string;
  readonly alg: "ES384" | "RS384";
  readonly privateKey: CryptoKey;
}

export async function keyPair(alg: "ES384" | "RS384" = "ES384", kid: string = randomUUID()) {
  const { publicKey, privateKey } = await generateKeyPair(alg, { extractable: true });
  return { kid, privateKey, jwk: { ...(await exportJWK(publicKey)), kid, alg } };
}

export async function testClient(
  here: TestApp,
  role: string,
  options: Partial<ClientWanted> & { readonly alg?: "ES384" | "RS384"; readonly tenantId?: number } = {},
): Promise<TestClient> {
  const { alg = "ES384", tenantId = here.tenantId, ...wanted } = options;
  const { kid, privateKey, jwk } = await keyPair(alg);
  const made = await registerClient(here.service, tenantId, { name: "A test", role, jwks: { keys: [jwk] }, ...wanted });
  if (!made.ok) throw new Error(JSON.stringify(made.refusals));
  return { clientId: made.value.clientId, kid, alg, privateKey };
}

/** A signed assertion as the guide asks for it, with what a test wants otherwise. */
export async function assertionOf(
  here: TestApp,
  client: TestClient,
  claims: JWTPayload = {},
  header: Record<string, unknown> = {},
): Promise<string> {
  const now = Math.floor(here.clock.at / 1_000);
  const payload = {
    iss: client.clientId,
    sub: client.clientId,
    aud: tokenDoor,
    exp: now + 240,
    jti: randomUUID(),
    ...claims,
  };
  const present = Object.fromEntries(Object.entries(payload).filter(([, value]) => value !== undefined));
  return new SignJWT(present)
    .setProtectedHeader({ alg: client.alg, kid: client.kid, ...header })
    .sign(client.privateKey);
}

/** Sends a form to one of the token doors. */
export function sendForm(here: TestApp, url: string, fields: Record<string, string>, token?: string) {
  return here.app.inject({
    method: "POST",
    url,
    headers: {
      "content-type": "application/x-www-form-urlencoded",
      ...(token === undefined ? {} : { authorization: `Bearer ${token}` }),
    },
    payload: new URLSearchParams(fields).toString(),
  });
}

export function askForToken(here: TestApp, assertion: string, scope = "system/*.cruds tidegate/*.cruds", over = {}) {
  const fields = {
    grant_type: "client_credentials",
    client_assertion_type: assertionType,
    client_assertion: assertion,
    scope,
  };
  return sendForm(here, "/auth/token", { ...fields, ...over });
}

/** A token of a new client of this role. */
export async function tokenFor(
  here: TestApp,
  role: string,
  scope?: string,
  bound: Pick<ClientWanted, "patientId" | "organizationId" | "confidentiality"> = {},
): Promise<string> {
  const client = await testClient(here, role, { ...bound, ...(scope === undefined ? {} : { scope }) });
  const answer = await askForToken(here, await assertionOf(here, client));
  const { access_token: token } = answer.json() as { access_token?: string };
  if (token === undefined) throw new Error(answer.body);
  return token;
}
