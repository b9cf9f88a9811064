import { base64url } from "jose";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { buildApp } from "../../src/app.ts";
import { changeClient } from "../../src/flows/client.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import { openDatabase } from "../../src/store/database.ts";
import { type TestApp, testApp } from "../support/app.ts";
import {
  askForToken,
  assertionOf,
  keyPair,
  sendForm,
  type TestClient,
  testClient,
  tokenDoor,
} from "../support/client.ts";
import { quietTrail } from "../support/quiet-trail.ts";

// SMART Backend Services: https://hl7.org/fhir/smart-app-launch/STU2/backend-services.html, and the attacks that
// RFC 8725 (Best Current Practices for JSON Web Tokens) warns of.
let here: TestApp;
let client: TestClient;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  client = await testClient(here, "integration");
});

afterAll(() => here.close());

const seconds = () => Math.floor(here.clock.at / 1_000);

async function refusalOf(answer: ReturnType<typeof askForToken>) {
  const { statusCode, body } = await answer;
  const { error } = JSON.parse(body) as { error?: string };
  return [statusCode, error];
}

describe("a client with a key", () => {
  test.each(["RS384", "ES384"] as const)(
    "signed by %s gets a token that opens the doors for five minutes",
    async (alg) => {
      const one = await testClient(here, "integration", { alg });
      const answer = await askForToken(here, await assertionOf(here, one), "system/Patient.rs");
      expect(answer.statusCode).toBe(200);
      expect(answer.headers["cache-control"]).toBe("no-store");
      const { access_token: token, ...rest } = answer.json() as { access_token: string };
      expect(rest).toEqual({ token_type: "bearer", expires_in: 300, scope: "system/Patient.rs" });
      const read = () =>
        here.app.inject({ method: "GET", url: "/fhir/Patient", headers: { authorization: `Bearer ${token}` } });
      expect((await read()).statusCode).toBe(200);
      here.clock.at += 300_000;
      expect((await read()).statusCode).toBe(401);
      here.clock.at -= 300_000;
    },
  );

  test("asks for more than it is registered for and gets what it may have", async () => {
    const dashboard = await testClient(here, "dashboard", { scope: "system/Task.rus" });
    const answer = await askForToken(here, await assertionOf(here, dashboard), "system/*.cruds");
    expect(answer.json()).toMatchObject({ scope: "system/Task.rus" });
    expect(await refusalOf(askForToken(here, await assertionOf(here, dashboard), "system/Patient.rs"))).toEqual([
      400,
      "invalid_scope",
    ]);
  });

  test("finds the doors at the well-known address, without a token", async () => {
    const answer = await here.app.inject({ method: "GET", url: "/fhir/.well-known/smart-configuration" });
    expect(answer.json()).toMatchObject({
      token_endpoint: tokenDoor,
      token_endpoint_auth_signing_alg_values_supported: ["RS384", "ES384"],
      grant_types_supported: ["client_credentials"],
    });
  });
});

describe("an assertion is refused", () => {
  test.each<[string, Record<string, unknown>]>([
    ["made out to another server", { aud: "https://elsewhere.test/auth/token" }],
    ["made out to the base address", { aud: "https://gate.test/fhir" }],
    ["of one who speaks for another", { sub: "test.somebody-else-xx" }],
    ["of nobody here", { iss: "test.AAAAAAAAAAAAAAAA", sub: "test.AAAAAAAAAAAAAAAA" }],
    ["of a tenant that is not here", { iss: "nowhere.AAAAAAAAAAAAAAAA", sub: "nowhere.AAAAAAAAAAAAAAAA" }],
    ["with an id that is no text", { iss: 7, sub: 7 }],
    ["with an id of SQL", { iss: "x' or '1'='1", sub: "x' or '1'='1" }],
    ["without an end", { exp: undefined }],
    ["without a jti", { jti: undefined }],
    ["with an empty jti", { jti: "" }],
    ["with a jti that is no text", { jti: 5 }],
    ["with an endless jti", { jti: "x".repeat(256) }],
  ])("%s", async (_what, claims) => {
    expect(await refusalOf(askForToken(here, await assertionOf(here, client, claims)))).toEqual([
      401,
      "invalid_client",
    ]);
  });

  test.each([
    ["over", { exp: -1 }, {}],
    ["not valid yet", { exp: 240 }, { nbf: 120 }],
    ["six minutes ahead", { exp: 360 }, {}],
  ])("that is %s", async (_what, { exp }, { nbf }: { nbf?: number }) => {
    const claims = { exp: seconds() + exp, ...(nbf === undefined ? {} : { nbf: seconds() + nbf }) };
    expect(await refusalOf(askForToken(here, await assertionOf(here, client, claims)))).toEqual([
      401,
      "invalid_client",
    ]);
  });

  test("of a key that is not the client's, under its kid or under the kid of another client's key", async () => {
    const stranger = await testClient(here, "integration");
    const forged = { ...client, privateKey: stranger.privateKey };
    expect(await refusalOf(askForToken(here, await assertionOf(here, forged)))).toEqual([401, "invalid_client"]);
    expect(await refusalOf(askForToken(here, await assertionOf(here, { ...forged, kid: stranger.kid })))).toEqual([
      401,
      "invalid_client",
    ]);
  });

  test("without a kid, or naming another address of keys", async () => {
    for (const header of [{ kid: undefined }, { jku: "https://keys.test/jwks" }, { crit: ["x"], x: 1 }]) {
      const sent = assertionOf(here, client, {}, header).catch(() => undefined);
      const assertion = await sent;
      if (assertion === undefined) continue;
      expect(await refusalOf(askForToken(here, assertion))).toEqual([401, "invalid_client"]);
    }
  });

  test("signed by nothing (alg none)", async () => {
    const signed = await assertionOf(here, client);
    const header = base64url.encode(JSON.stringify({ alg: "none", kid: client.kid }));
    for (const signature of ["", signed.split(".")[2]]) {
      expect(await refusalOf(askForToken(here, `${header}.${signed.split(".")[1]}.${signature}`))).toEqual([
        401,
        "invalid_client",
      ]);
    }
  });

  test.each(["", "x", "a.b.c", "....", `${"x".repeat(9_000)}.y.z`, "\u0000", "eyJhbGciOiJFUzM4NCJ9.e30.AAAA"])(
    "that is none at all (%#)",
    async (text) => {
      expect(await refusalOf(askForToken(here, text))).toEqual([401, "invalid_client"]);
    },
  );

  test("the second time, also by another process on the same database", async () => {
    const assertion = await assertionOf(here, client);
    expect((await askForToken(here, assertion)).statusCode).toBe(200);
    expect(await refusalOf(askForToken(here, assertion))).toEqual([401, "invalid_client"]);
    const database = openDatabase(here.connectionString);
    const app = await buildApp({
      service: { ...here.service, database },
      tokens: new Map(),
      trail: quietTrail,
      cursors: cursorsWith(Buffer.alloc(32, 7)),
      maxBodyBytes: 1_000_000,
      publicBaseUrl: "https://gate.test",
      softwareVersion: "0.0.0",
      startedIso: "",
      isReady: async () => true,
    });
    expect(await refusalOf(askForToken({ ...here, app }, assertion))).toEqual([401, "invalid_client"]);
    const fresh = await assertionOf(here, client);
    const both = await Promise.all([askForToken(here, fresh), askForToken({ ...here, app }, fresh)]);
    expect(both.map((one) => one.statusCode).sort()).toEqual([200, 401]);
    await app.close();
    await database.close();
  });

  test("of a client that was disabled, whose tokens open nothing any more", async () => {
    const { kid, privateKey, jwk } = await keyPair();
    const one = await testClient(here, "integration");
    const wanted = { name: "Changed", role: "integration", jwks: { keys: [jwk] } };
    expect((await changeClient(here.service, here.tenantId, one.clientId, 1, wanted)).ok).toBe(true);
    expect(await refusalOf(askForToken(here, await assertionOf(here, one)))).toEqual([401, "invalid_client"]);
    const rotated = { ...one, kid, privateKey };
    const answer = await askForToken(here, await assertionOf(here, rotated));
    const { access_token: token } = answer.json() as { access_token: string };
    await changeClient(here.service, here.tenantId, one.clientId, 2, { ...wanted, disabled: true });
    expect(await refusalOf(askForToken(here, await assertionOf(here, rotated)))).toEqual([401, "invalid_client"]);
    const read = await here.app.inject({
      method: "GET",
      url: "/fhir/Patient",
      headers: { authorization: `Bearer ${token}` },
    });
    expect(read.statusCode).toBe(401);
  });
});

describe("a token request of another shape", () => {
  test.each<[string, Record<string, string>, string]>([
    ["another grant", { grant_type: "password" }, "unsupported_grant_type"],
    ["a secret instead of an assertion", { client_assertion_type: "secret" }, "invalid_request"],
    ["no scope", { scope: "" }, "invalid_scope"],
    ["a scope that is none", { scope: "system/__proto__.rs openid" }, "invalid_scope"],
  ])("with %s is refused in the words of OAuth", async (_what, over, error) => {
    expect(await refusalOf(askForToken(here, await assertionOf(here, client), undefined, over))).toEqual([400, error]);
  });

  test("with a field twice, or as JSON", async () => {
    const twice = await here.app.inject({
      method: "POST",
      url: "/auth/token",
      headers: { "content-type": "application/x-www-form-urlencoded" },
      payload: "grant_type=client_credentials&grant_type=client_credentials",
    });
    expect([twice.statusCode, (twice.json() as { error: string }).error]).toEqual([400, "invalid_request"]);
    const json = await here.app.inject({
      method: "POST",
      url: "/auth/token",
      payload: { grant_type: "client_credentials" },
    });
    expect(json.statusCode).toBe(415);
  });
});

// RFC 7662 and RFC 7009.
describe("introspection and revocation", () => {
  const newToken = async (of: TestClient) =>
    ((await askForToken(here, await assertionOf(here, of), "system/Patient.rs")).json() as { access_token: string })
      .access_token;
  const introspect = async (token: string, by: string) =>
    (await sendForm(here, "/auth/introspect", { token }, by)).json() as Record<string, unknown>;

  test("a client sees what its own token is good for, and of another's that it is none", async () => {
    const [token, another] = [await newToken(client), await newToken(await testClient(here, "integration"))];
    expect(await introspect(token, token)).toEqual({
      active: true,
      scope: "system/Patient.rs",
      client_id: client.clientId,
      sub: client.clientId,
      iat: seconds(),
      exp: seconds() + 300,
      token_type: "bearer",
    });
    expect(await introspect(another, token)).toEqual({ active: false });
    expect(await introspect("nonsense", token)).toEqual({ active: false });
    expect((await sendForm(here, "/auth/introspect", { token })).statusCode).toBe(401);
  });

  test("a revoked token opens nothing; another client's is not touched", async () => {
    const [token, spare, another] = [
      await newToken(client),
      await newToken(client),
      await newToken(await testClient(here, "integration")),
    ];
    for (const one of [token, another, "nonsense"]) {
      expect((await sendForm(here, "/auth/revoke", { token: one }, spare)).statusCode).toBe(200);
    }
    const status = async (one: string) =>
      (await here.app.inject({ method: "GET", url: "/fhir/Patient", headers: { authorization: `Bearer ${one}` } }))
        .statusCode;
    expect([await status(token), await status(spare), await status(another)]).toEqual([401, 200, 200]);
  });
});

describe("a token that is none", () => {
  test.each(["1.", "zzzzzz.", "..", "' or 1=1 --", "\u00e9", "x".repeat(5_000)])(
    "(%#) opens nothing",
    async (start) => {
      for (const token of [start, `${start}${"A".repeat(43)}`]) {
        const answer = await here.app.inject({
          method: "GET",
          url: "/fhir/Patient",
          headers: { authorization: `Bearer ${token}`, "x-tenant-id": "1" },
        });
        expect(answer.statusCode).toBe(401);
      }
    },
  );

  test("of one tenant under the number of another opens nothing", async () => {
    const answer = await askForToken(here, await assertionOf(here, client), "system/Patient.rs");
    const { access_token: token } = answer.json() as { access_token: string };
    const moved = token.replace(/^[0-9a-z]+/, (here.tenantId + 1).toString(36));
    const read = await here.app.inject({
      method: "GET",
      url: "/fhir/Patient",
      headers: { authorization: `Bearer ${moved}` },
    });
    expect(read.statusCode).toBe(401);
  });
});
