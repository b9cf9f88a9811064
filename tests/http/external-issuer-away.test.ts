import fc from "fast-check";
import { pino } from "pino";
import { afterAll, beforeAll, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { configured, externalToken, issuerKey, type TestIssuer, testIssuer } from "../support/issuer.ts";

// What a client sees of an issuer that is away, changes its keys, or is not what it says it is (tests/flows/issuer-keys.test.ts
// holds the rest of it).
let here: TestApp;
let issuer: TestIssuer;
let gone: TestIssuer;
let impostor: TestIssuer;
const lines: string[] = [];

beforeAll(async () => {
  [issuer, gone, impostor] = [
    await testIssuer(await issuerKey()),
    await testIssuer(await issuerKey()),
    await testIssuer(await issuerKey()),
  ];
  impostor.answers.description = (response) =>
    void response.end(JSON.stringify({ issuer: issuer.issuer, jwks_uri: `${issuer.issuer}/keys` }));
  here = await testApp("2026-06-10T12:00:00Z", {
    issuers: [configured(issuer), configured(gone), configured(impostor)],
    log: pino({ level: "trace" }, { write: (line) => lines.push(line) }),
  });
});

afterAll(async () => {
  await here.close();
  for (const one of [issuer, impostor]) await one.down();
});

function get(token: string) {
  return here.app.inject({ url: "/fhir/Patient", headers: { authorization: `Bearer ${token}` } });
}

test("an issuer that was never reached is told of as 503 with Retry-After; then nobody's token is thrown away", async () => {
  const token = await externalToken(gone, here.clock.at);
  await gone.down();
  const answer = await get(token);
  expect(answer.statusCode).toBe(503);
  expect(answer.headers["retry-after"]).toBe("5");
  expect(answer.json()).toMatchObject({ issue: [{ code: "exception" }] });
  // Tokens of others, and those that name nobody, are answered as ever.
  expect((await get(await externalToken(issuer, here.clock.at))).statusCode).toBe(200);
  expect((await get("nobody's")).statusCode).toBe(401);
});

test("an issuer that describes itself as another is not believed, though that other's keys are at hand", async () => {
  expect((await get(await externalToken(impostor, here.clock.at))).statusCode).toBe(503);
  const asAnother = { issuer: impostor.issuer, keys: issuer.keys };
  expect((await get(await externalToken(asAnother, here.clock.at))).statusCode).toBe(503);
});

test("keys change and no request is refused", async () => {
  expect((await get(await externalToken(issuer, here.clock.at))).statusCode).toBe(200);
  const old = await externalToken(issuer, here.clock.at);
  issuer.keys.unshift(await issuerKey("PS384"));
  here.clock.at += 30_000;
  const statuses = await Promise.all(
    [externalToken(issuer, here.clock.at), old, externalToken(issuer, here.clock.at), old].map(
      async (token) => (await get(await token)).statusCode,
    ),
  );
  expect(statuses).toEqual([200, 200, 200, 200]);
});

test("whatever claims a signed token brings, it is let in or refused, and nothing breaks", async () => {
  const names = ["iss", "aud", "sub", "exp", "iat", "nbf", "scope", "scp", "client_id", "azp", "cnf", "jti", "refused"];
  const claims = fc.dictionary(fc.constantFrom(...names), fc.jsonValue({ maxDepth: 2 }), { maxKeys: 3 });
  await fc.assert(
    fc.asyncProperty(claims, async (some) => {
      const { statusCode } = await get(await externalToken(issuer, here.clock.at, some));
      expect([200, 401, 403]).toContain(statusCode);
    }),
    { numRuns: 150 },
  );
});

test("whatever header a token brings, it is refused, and nothing breaks", async () => {
  const header = fc.dictionary(
    fc.constantFrom("alg", "kid", "typ", "crit", "jwk", "jku", "b64", "zip"),
    fc.jsonValue(),
  );
  const [, body, signature] = (await externalToken(issuer, here.clock.at)).split(".");
  await fc.assert(
    fc.asyncProperty(header, async (some) => {
      const head = Buffer.from(JSON.stringify(some)).toString("base64url");
      expect((await get(`${head}.${body}.${signature}`)).statusCode).toBe(401);
    }),
    { numRuns: 150 },
  );
});

test("the log holds no token and nothing that stands in one", async () => {
  const token = await externalToken(issuer, here.clock.at, { client_id: "clerk-of-the-ward", exp: 1 });
  await get(token);
  await get(await externalToken(gone, here.clock.at, { client_id: "clerk-of-the-ward" }));
  const text = lines.join("");
  expect(text).toContain("the keys of a token issuer cannot be had");
  expect(text).toContain('"status":401');
  for (const part of [...token.split("."), "clerk-of-the-ward"]) expect(text).not.toContain(part);
});
