import { createHmac, type KeyObject } from "node:crypto";
import { base64url, exportSPKI, importJWK } from "jose";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { findTenant } from "../../src/store/tenant.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { configured, externalToken, issuerKey, type TestIssuer, testIssuer } from "../support/issuer.ts";
import { put } from "../support/service.ts";

// Access tokens of other servers: RFC 9068 (JSON Web Token profile for access tokens), section 4, and the attacks that
// RFC 8725 (Best Current Practices for JSON Web Tokens), sections 2 and 3, warns of.
let here: TestApp;
const issuers: Record<"one" | "other" | "region" | "family" | "trust" | "strict", TestIssuer> = {} as never;
const dashboards = "https://gate.test/dashboards";

beforeAll(async () => {
  for (const name of ["one", "other", "region", "family", "trust", "strict"] as const) {
    issuers[name] = await testIssuer(await issuerKey("ES256"));
  }
  const { one, other, region, family, trust, strict } = issuers;
  const slugs = new Map([
    ["north", "test"],
    ["south", "stranger"],
    ["west", "never-made"],
  ]);
  here = await testApp("2026-06-10T12:00:00Z", {
    issuers: [
      configured(one),
      configured(one, { audience: dashboards, role: "dashboard" }),
      configured(other),
      configured(region, { tenant: { claim: "tenant", slugs } }),
      configured(family, { role: "dashboard", patientClaim: "patient" }),
      configured(trust, { role: "dashboard", organizationClaim: "https://hospital.test/organization" }),
      configured(strict, { algorithms: ["RS384"] }),
    ],
  });
  const organization = (id: string, above?: string) => ({
    resourceType: "Organization",
    id,
    name: id,
    ...(above === undefined ? {} : { partOf: { reference: `Organization/${above}` } }),
  });
  await put(here, organization("trust"), organization("ward", "trust"), organization("elsewhere"));
  await put(
    here,
    patientResource({ id: "anna", family: "Anna", given: "Given", organizationId: "ward" }),
    patientResource({ id: "bert", family: "Bert", given: "Given", organizationId: "elsewhere" }),
  );
});

afterAll(async () => {
  await here.close();
  for (const issuer of Object.values(issuers)) await issuer.down();
});

const now = () => here.clock.at / 1_000;

function get(token: string, url = "/fhir/Patient?_summary=count", headers: Record<string, string> = {}) {
  return here.app.inject({ method: "GET", url, headers: { authorization: `Bearer ${token}`, ...headers } });
}

async function statusOf(token: string, url?: string): Promise<number> {
  return (await get(token, url)).statusCode;
}

const tokenOf = (name: keyof typeof issuers, claims = {}, header = {}) =>
  externalToken(issuers[name], here.clock.at, claims, header);

async function idsSeenBy(token: string): Promise<string[]> {
  const { entry = [] } = (await get(token, "/fhir/Patient")).json() as { entry?: { resource: { id: string } }[] };
  return entry.map(({ resource }) => resource.id).sort();
}

describe("a token of a configured issuer", () => {
  test("opens the doors of its tenant, for reading and for writing", async () => {
    const token = await tokenOf("one");
    expect(await idsSeenBy(token)).toEqual(["anna", "bert"]);
    const made = await here.app.inject({
      method: "POST",
      url: "/fhir/Organization",
      headers: { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" },
      payload: JSON.stringify({ resourceType: "Organization", name: "Made by a token from elsewhere" }),
    });
    expect(made.statusCode).toBe(201);
  });

  test.each(["RS256", "PS256", "RS512", "ES384", "ES512"])("signed by %s is taken as well", async (alg) => {
    const issuer = await testIssuer(await issuerKey(alg));
    const app = await testApp("2026-06-10T12:00:00Z", { issuers: [configured(issuer)] });
    const token = await externalToken(issuer, app.clock.at);
    const answer = await app.app.inject({ url: "/fhir/Patient", headers: { authorization: `Bearer ${token}` } });
    expect(answer.statusCode).toBe(200);
    await app.close();
    await issuer.down();
  });

  test.each<[string, Record<string, unknown>, Record<string, unknown>]>([
    ["of the plain type of older servers", {}, { typ: "JWT" }],
    ["of the long type", {}, { typ: "application/at+jwt" }],
    ["made out to several services", { aud: ["https://elsewhere.test", "https://gate.test/fhir"] }, {}],
    ["with its scopes in scp", { scope: undefined, scp: "system/Patient.rs" }, {}],
    ["with its scopes in a list", { scope: undefined, scp: ["openid", "system/Patient.rs"] }, {}],
    ["of a clock that is 20 seconds ahead", { iat: Date.parse("2026-06-10T12:00:20Z") / 1_000 }, {}],
    ["of eight thousand characters", { groups: "x".repeat(5_600) }, {}],
  ])("%s is taken", async (_what, claims, header) => {
    expect(await statusOf(await tokenOf("one", claims, header))).toBe(200);
  });

  test("has the role of the audience that it is made out to", async () => {
    const token = await tokenOf("one", { aud: dashboards });
    expect(await statusOf(token)).toBe(200);
    const remove = { method: "DELETE", headers: { authorization: `Bearer ${token}` } } as const;
    expect((await here.app.inject({ ...remove, url: "/fhir/Patient/anna" })).statusCode).toBe(403);
  });

  test("shows the one person that it is bound to", async () => {
    expect(await idsSeenBy(await tokenOf("family", { patient: "anna" }))).toEqual(["anna"]);
  });

  test("shows the people of the organisation that it is bound to, and of those below it", async () => {
    const claims = { "https://hospital.test/organization": "trust" };
    expect(await idsSeenBy(await tokenOf("trust", claims))).toEqual(["anna"]);
  });

  test("is of the tenant that its claim names, whatever a header says", async () => {
    const token = await tokenOf("region", { tenant: "south" });
    expect(await idsSeenBy(token)).toEqual([]);
    const forged = { "x-tenant-id": String(here.tenantId), "x-tenant": "test", tenant: "north" };
    expect((await get(token, "/fhir/Patient/anna", forged)).statusCode).toBe(404);
    expect((await get(token, "/fhir/Patient/anna?tenant=north", forged)).statusCode).toBe(404);
    expect(await idsSeenBy(await tokenOf("region", { tenant: "north" }))).toEqual(["anna", "bert"]);
  });
});

describe("a valid token does no more than", () => {
  const send = async (method: "POST" | "DELETE" | "GET", url: string, token: string) =>
    (await here.app.inject({ method, url, headers: { authorization: `Bearer ${token}` } })).statusCode;

  test("its scopes", async () => {
    const token = await tokenOf("one", { scope: "system/Task.rs" });
    expect(await statusOf(token, "/fhir/Task")).toBe(200);
    expect(await statusOf(token)).toBe(403);
  });

  test("the role of its issuer, whatever scopes it brings", async () => {
    const token = await tokenOf("one", { scope: "system/*.cruds tidegate/*.cruds tidegate/clients.crud" });
    expect(await send("GET", "/api/v1/clients", token)).toBe(403);
    const reading = await tokenOf("family", { patient: "anna", scope: "system/*.cruds tidegate/*.cruds" });
    expect(await send("DELETE", "/fhir/Patient/anna", reading)).toBe(403);
    expect(await send("GET", "/api/v1/thresholds", reading)).toBe(403);
  });

  test.each([
    ["none", { scope: undefined }],
    ["those of other services", { scope: "openid profile email" }],
    ["those of a person", { scope: "user/*.rs patient/*.rs" }],
    ["no text", { scope: { "system/*.rs": true } }],
    ["a list of no texts", { scope: [["system/*.rs"], 7] }],
    ["names that are no types", { scope: "system/no_type.rs system/Pat_ient.rs system/__proto__.rs" }],
  ])("nothing, where its scopes are %s", async (_what, claims) => {
    const token = await tokenOf("one", claims);
    expect(await statusOf(token)).toBe(403);
    expect(await statusOf(token, "/api/v1/caseload")).toBe(403);
  });
});

describe("a token is refused", () => {
  test.each<[string, Record<string, unknown>, Record<string, unknown>]>([
    ["made out to another service", { aud: "https://elsewhere.test/fhir" }, {}],
    ["made out to nobody", { aud: undefined }, {}],
    ["made out to two roles at once", { aud: ["https://gate.test/fhir", dashboards] }, {}],
    ["of an issuer that nobody configured", { iss: "https://login.elsewhere.test" }, {}],
    ["of no issuer", { iss: undefined }, {}],
    ["of an issuer that is no text", { iss: ["x"] }, {}],
    ["without an end", { exp: undefined }, {}],
    ["without a beginning", { iat: undefined }, {}],
    ["whose end is no number", { exp: "tomorrow" }, {}],
    ["bound to a key (RFC 9449, 6.1)", { cnf: { jkt: "x" } }, {}],
    ["that names no client", { client_id: undefined, sub: undefined }, {}],
    ["of another type", {}, { typ: "logout+jwt" }],
    ["of no type", {}, { typ: undefined }],
    // RFC 7515, 4.1.11: what is critical and not understood makes it invalid.
    ["with something critical that nobody knows", {}, { crit: ["urn:test:unknown"], "urn:test:unknown": 1 }],
    ["of a key that nobody has", {}, { kid: "nobody's" }],
    ["of no key", {}, { kid: undefined }],
    ["whose key has a place to fetch it", {}, { jku: "https://evil.test/keys", kid: "evil" }],
  ])("%s", async (_what, claims, header) => {
    const answer = await get(await tokenOf("one", claims, header));
    expect(answer.statusCode).toBe(401);
    expect(answer.json()).toMatchObject({ resourceType: "OperationOutcome", issue: [{ code: "login" }] });
    expect(answer.headers["www-authenticate"]).toContain("Bearer");
  });

  test.each([
    ["over since a minute", { exp: -60, iat: -120 }],
    ["not valid yet", { exp: 600, iat: 0, nbf: 120 }],
    ["issued in a minute", { exp: 600, iat: 60 }],
    ["issued the day before yesterday", { exp: 600, iat: -172_800 }],
    ["that lasts 25 hours", { exp: 90_000, iat: 0 }],
    ["that lasts for ever", { exp: 1e300, iat: 0 }],
    ["that lasts less than no time", { exp: -600, iat: 0 }],
  ])("%s", async (_what, times) => {
    const claims = Object.fromEntries(Object.entries(times).map(([name, at]) => [name, now() + at]));
    expect(await statusOf(await tokenOf("one", claims))).toBe(401);
  });

  test("signed by nobody, by the public key as a secret, or by an algorithm that is not configured (RFC 8725, 2.1)", async () => {
    const [key] = issuers.one.keys;
    const [, body] = (await tokenOf("one")).split(".");
    const head = (alg: string) => base64url.encode(JSON.stringify({ alg, kid: key?.kid, typ: "at+jwt" }));
    for (const alg of ["none", "None", "NONE"]) {
      expect(await statusOf(`${head(alg)}.${body}.`)).toBe(401);
      expect(await statusOf(`${head(alg)}.${body}.AAAA`)).toBe(401);
    }
    const publicKey = (await importJWK(key?.jwk ?? {}, "ES256", { extractable: true })) as CryptoKey;
    for (const secret of [await exportSPKI(publicKey), JSON.stringify(key?.jwk)] as (string | KeyObject)[]) {
      const signed = createHmac("sha256", secret as string)
        .update(`${head("HS256")}.${body}`)
        .digest();
      expect(await statusOf(`${head("HS256")}.${body}.${base64url.encode(signed)}`)).toBe(401);
    }
    expect(await statusOf(await tokenOf("strict"))).toBe(401);
  });

  test("signed by the key of another issuer, under its kid and under that of the issuer's own", async () => {
    const { one, other } = issuers;
    const forged = (kid: string | undefined) =>
      externalToken({ issuer: one.issuer, keys: other.keys }, here.clock.at, {}, { kid });
    expect(await statusOf(await tokenOf("other"))).toBe(200);
    expect(await statusOf(await forged(other.keys[0]?.kid))).toBe(401);
    expect(await statusOf(await forged(one.keys[0]?.kid))).toBe(401);
    expect(await statusOf(await tokenOf("other", { iss: one.issuer }))).toBe(401);
    expect(await statusOf(await tokenOf("one", { iss: `${one.issuer}/` }))).toBe(401);
  });

  test("changed after it was signed, cut off, or longer than 8192 characters", async () => {
    const [head, , tail] = (await tokenOf("one")).split(".");
    const [, body] = (await tokenOf("one", { scope: "system/Patient.cruds" })).split(".");
    expect(await statusOf(`${head}.${body}.${tail}`)).toBe(401);
    expect(await statusOf(`${head}.${body}`)).toBe(401);
    expect(await statusOf(`${head}.${"x".repeat(4_000)}.${tail}`)).toBe(401);
    expect(await statusOf(await tokenOf("one", { groups: "x".repeat(8_192) }))).toBe(401);
  });

  test.each<[string, Record<string, unknown>]>([
    ["no tenant", {}],
    ["a tenant of nobody", { tenant: "east" }],
    ["a tenant of the service under its own name", { tenant: "stranger" }],
    ["a tenant that was never made", { tenant: "west" }],
    ["two tenants", { tenant: ["north", "south"] }],
    ["a tenant that every object has", { tenant: "constructor" }],
    ["a tenant of SQL", { tenant: "x' or '1'='1" }],
  ])("that names %s, and none is made for it", async (_what, claims) => {
    expect(await statusOf(await tokenOf("region", claims))).toBe(401);
    expect(await findTenant(here.database, "never-made")).toBeUndefined();
  });

  test.each([undefined, "", "anna,bert", "Patient/anna", "anna'--", ["anna"], 7, "x".repeat(65)])(
    "that should be bound to a person and is bound to %j",
    async (patient) => {
      expect(await statusOf(await tokenOf("family", { patient }))).toBe(401);
      expect(await statusOf(await tokenOf("trust", { "https://hospital.test/organization": patient }))).toBe(401);
    },
  );

  test("at the doors of our own tokens, which tell and take back our own only", async () => {
    for (const url of ["/auth/introspect", "/auth/revoke"]) {
      const token = await tokenOf("one");
      const answer = await here.app.inject({
        method: "POST",
        url,
        headers: { authorization: `Bearer ${token}`, "content-type": "application/x-www-form-urlencoded" },
        payload: new URLSearchParams({ token }).toString(),
      });
      expect(answer.statusCode).toBe(401);
    }
  });
});
