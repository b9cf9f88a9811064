import { randomUUID } from "node:crypto";
import { createServer, type ServerResponse } from "node:http";
import type { AddressInfo } from "node:net";
import { type CryptoKey, exportJWK, generateKeyPair, type JWK, SignJWT } from "jose";
import type { TokenIssuer } from "../../src/flows/external-token.ts";
import { signatureAlgorithms } from "../../src/flows/key-set.ts";

export interface IssuerKey {
  readonly kid: string;
  readonly alg: string;
  readonly privateKey: CryptoKey;
  readonly jwk: JWK;
}

/** A key for signatures by `alg`; its public half says so unless it is to say nothing. */
export async function issuerKey(alg = "ES256", kid: string = randomUUID()): Promise<IssuerKey> {
  const { publicKey, privateKey } = await generateKeyPair(alg, { extractable: true });
  return { kid, alg, privateKey, jwk: { ...(await exportJWK(publicKey)), kid, alg, use: "sig" } };
}

/** What an issuer's two addresses answer; a test puts its own answer in the place of one. */
export interface IssuerAnswers {
  description(response: ServerResponse): void;
  keys(response: ServerResponse): void;
}

/** An OpenID server on a port of this machine: a description and a key set, and nothing behind it. */
export interface TestIssuer {
  readonly issuer: string;
  readonly keys: IssuerKey[];
  readonly answers: IssuerAnswers;
  /** How often each path was asked for. */
  readonly asked: Map<string, number>;
  down(): Promise<void>;
  up(): Promise<void>;
}

export const audience = "https://gate.test/fhir";

export async function testIssuer(...keys: IssuerKey[]): Promise<TestIssuer> {
  const asked = new Map<string, number>();
  const send = (response: ServerResponse, body: unknown) =>
    void response.writeHead(200, { "content-type": "application/json" }).end(JSON.stringify(body));
  const server = createServer((request, response) => {
    const path = request.url ?? "";
    asked.set(path, (asked.get(path) ?? 0) + 1);
    if (path === "/.well-known/openid-configuration") answers.description(response);
    else if (path === "/keys") answers.keys(response);
    else response.writeHead(404).end();
  });
  const listen = (port: number) => new Promise<void>((done) => server.listen(port, "127.0.0.1", done));
  await listen(0);
  const { port } = server.address() as AddressInfo;
  const issuer = `http://127.0.0.1:${port}`;
  const answers: IssuerAnswers = {
    description: (response) => send(response, { issuer, jwks_uri: `${issuer}/keys` }),
    keys: (response) => send(response, { keys: keys.map(({ jwk }) => jwk) }),
  };
  return {
    issuer,
    keys,
    answers,
    asked,
    down: () =>
      new Promise((done) => {
        server.close(() => done());
        server.closeAllConnections();
      }),
    up: () => listen(port),
  };
}

/** The issuer as the service is configured for it: everything that an integration engine may, in the tenant `test`. */
export function configured({ issuer }: Pick<TestIssuer, "issuer">, over: Partial<TokenIssuer> = {}): TokenIssuer {
  return { issuer, audience, role: "integration", algorithms: signatureAlgorithms, tenant: "test", ...over };
}

/** A signed token as RFC 9068, section 2 describes it, with what a test wants otherwise; `undefined` leaves a claim out. */
export async function externalToken(
  { issuer, keys: [key] }: Pick<TestIssuer, "issuer"> & { readonly keys: readonly IssuerKey[] },
  nowMs: number,
  claims: Record<string, unknown> = {},
  header: Record<string, unknown> = {},
): Promise<string> {
  if (key === undefined) throw new Error("the issuer has no key to sign with");
  const now = Math.floor(nowMs / 1_000);
  const payload = {
    iss: issuer,
    aud: audience,
    sub: "engine",
    client_id: "engine",
    iat: now,
    exp: now + 600,
    jti: randomUUID(),
    scope: "system/*.cruds",
    ...claims,
  };
  return (
    new SignJWT(JSON.parse(JSON.stringify(payload)) as Record<string, unknown>)
      .setProtectedHeader({ alg: key.alg, kid: key.kid, typ: "at+jwt", ...header })
      // What the library would not sign is what an attacker sends.
      .sign(key.privateKey, { crit: { "urn:test:unknown": false } })
  );
}
