import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { externalTokens, type TokenIssuer } from "../../src/flows/external-token.ts";
import { keyAddressOf } from "../../src/flows/issuer-keys.ts";
import {
  configured,
  externalToken,
  type IssuerKey,
  issuerKey,
  type TestIssuer,
  testIssuer,
} from "../support/issuer.ts";
import { type TestService, testService } from "../support/service.ts";

// OpenID Connect Discovery 1.0, sections 4 and 7.2; RFC 8414, section 3.3 and 6.
let here: TestService;
const started: TestIssuer[] = [];

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
});

afterAll(async () => {
  await here.close();
  for (const issuer of started) await issuer.down();
});

/** An issuer with a key, and a service that has never heard of it before. */
async function world(over: Partial<TokenIssuer> = {}, ...keys: IssuerKey[]) {
  const issuer = await testIssuer(...(keys.length === 0 ? [await issuerKey()] : keys));
  started.push(issuer);
  const warnings: unknown[] = [];
  const clock = { at: here.clock.at };
  const log = { ...here.service.log, warn: (fields: unknown) => void warnings.push(fields) };
  const tokens = externalTokens({ ...here.service, now: () => clock.at, log }, [configured(issuer, over)]);
  /** What becomes of a token: 200 where it grants something, else the status of its refusal. */
  const statusOfToken = async (token: string) => {
    const checked = await tokens(token);
    if (checked === undefined) return "nobody's";
    return "refused" in checked ? checked.refused.status : 200;
  };
  const statusOf = async (claims: Record<string, unknown> = {}, header: Record<string, unknown> = {}) =>
    statusOfToken(await externalToken(issuer, clock.at, claims, header));
  const fetches = () => [issuer.asked.get("/.well-known/openid-configuration") ?? 0, issuer.asked.get("/keys") ?? 0];
  return { issuer, clock, statusOf, statusOfToken, fetches, warnings };
}

describe("the keys of an issuer", () => {
  test("are fetched when the first token comes, once for many at the same time, and not again for the next", async () => {
    const { statusOf, fetches } = await world();
    expect(fetches()).toEqual([0, 0]);
    expect(await Promise.all(Array.from({ length: 20 }, () => statusOf()))).toEqual(Array(20).fill(200));
    expect(await statusOf()).toBe(200);
    expect(fetches()).toEqual([1, 1]);
  });

  test("are not fetched for a token that cannot hold whatever they are", async () => {
    const { statusOf, fetches } = await world({ algorithms: ["ES256"] });
    expect(await statusOf({ aud: "https://elsewhere.test" })).toBe(401);
    expect(await statusOf({}, { typ: "dpop+jwt" })).toBe(401);
    expect(await statusOf({}, { kid: undefined })).toBe(401);
    expect(fetches()).toEqual([0, 0]);
  });

  test("rotate without a gap: the new one is found by its kid, and the old one holds while it stands in the set", async () => {
    const { issuer, clock, statusOf, statusOfToken } = await world();
    const signedByOld = await externalToken(issuer, clock.at);
    expect(await statusOfToken(signedByOld)).toBe(200);
    issuer.keys.unshift(await issuerKey("RS256"));
    clock.at += 30_000;
    expect([await statusOf(), await statusOfToken(signedByOld)]).toEqual([200, 200]);
    issuer.keys.pop();
    clock.at += 300_000;
    expect([await statusOf(), await statusOfToken(signedByOld)]).toEqual([200, 401]);
  });

  test("are fetched again after an hour, however long the issuer says that they hold", async () => {
    const { issuer, clock, statusOf, fetches } = await world();
    const { keys } = issuer.answers;
    issuer.answers.keys = (response) => keys(response.setHeader("cache-control", "max-age=86400"));
    await statusOf();
    clock.at += 3_599_999;
    await statusOf();
    expect(fetches()[1]).toBe(1);
    clock.at += 1;
    await statusOf();
    expect(fetches()[1]).toBe(2);
  });

  test("are not fetched for each unknown kid of a flood", async () => {
    const { clock, statusOf, fetches } = await world();
    await statusOf();
    for (let second = 1; second <= 60; second += 1) {
      clock.at += 1_000;
      expect(await statusOf({}, { kid: `unknown-${second}` })).toBe(401);
    }
    expect(fetches()).toEqual([1, 3]);
  });

  test("stand beside keys of other kinds, and one that says no algorithm serves those of its kind", async () => {
    const key = await issuerKey("PS256");
    const { alg: _, ...silent } = key.jwk;
    const { issuer, statusOf } = await world({}, key);
    const others = [
      { kty: "oct", k: "AAAA", kid: "secret" },
      { kty: "OKP", crv: "Ed25519", x: "AAAA", kid: "okp" },
      null,
    ];
    issuer.answers.keys = (response) => void response.end(JSON.stringify({ keys: [...others, silent] }));
    expect(await statusOf()).toBe(200);
  });
});

describe("an issuer that is away", () => {
  test("makes nobody's token bad: 503, and 200 five seconds after it is back", async () => {
    const { issuer, clock, statusOf, warnings } = await world();
    await issuer.down();
    expect(await Promise.all([statusOf(), statusOf(), statusOf()])).toEqual([503, 503, 503]);
    expect(warnings).toEqual([{ issuer: issuer.issuer, why: "ECONNREFUSED" }]);
    await issuer.up();
    expect(await statusOf()).toBe(503);
    clock.at += 5_000;
    expect(await statusOf()).toBe(200);
  });

  test("has its last keys believed for an hour, and no new one", async () => {
    const { issuer, clock, statusOf } = await world();
    expect(await statusOf()).toBe(200);
    await issuer.down();
    for (const minutes of [6, 30, 64]) {
      clock.at = here.clock.at + minutes * 60_000;
      expect(await statusOf()).toBe(200);
      expect(await statusOf({}, { kid: "new" })).toBe(503);
    }
    clock.at = here.clock.at + 65 * 60_000;
    expect(await statusOf()).toBe(503);
  });
});

describe("an issuer that is not what it should be gives no keys: 503, with a line in the log", () => {
  const wrong: [string, (issuer: TestIssuer) => void, string][] = [
    [
      "a description of another issuer",
      ({ issuer, answers }) => {
        answers.description = (response) =>
          void response.end(JSON.stringify({ issuer: `${issuer}/`, jwks_uri: `${issuer}/keys` }));
      },
      "its description is that of another issuer",
    ],
    [
      "a description without keys",
      ({ issuer, answers }) => {
        answers.description = (response) => void response.end(JSON.stringify({ issuer }));
      },
      "jwks_uri is no https address",
    ],
    [
      "keys at a plain address of another machine",
      ({ issuer, answers }) => {
        answers.description = (response) =>
          void response.end(JSON.stringify({ issuer, jwks_uri: "http://keys.elsewhere.test/" }));
      },
      "jwks_uri is no https address",
    ],
    [
      "a description that leads elsewhere",
      ({ issuer, answers }) => {
        answers.description = (response) => void response.writeHead(302, { location: `${issuer}/keys` }).end();
      },
      "it leads elsewhere",
    ],
    [
      "keys that lead elsewhere",
      ({ answers }) => {
        answers.keys = (response) => void response.writeHead(307, { location: "http://127.0.0.1:1/" }).end();
      },
      "it leads elsewhere",
    ],
    [
      "no JSON",
      ({ answers }) => {
        answers.keys = (response) => void response.end("<html>");
      },
      "jwks_uri holds no usable key",
    ],
    [
      "a list for a description",
      ({ answers }) => {
        answers.description = (response) => void response.end("null");
      },
      "its description is that of another issuer",
    ],
    [
      "a key set without end",
      ({ answers }) => {
        answers.keys = (response) => void response.end(`{"keys":[${" ".repeat(200_000)}]}`);
      },
      "the answer is too long",
    ],
    [
      "an error",
      ({ answers }) => {
        answers.keys = (response) => void response.writeHead(500).end("{}");
      },
      "status 500",
    ],
  ];

  test.each(wrong)("%s", async (_what, break_, why) => {
    const { issuer, statusOf, warnings } = await world();
    break_(issuer);
    expect(await statusOf()).toBe(503);
    expect(warnings).toEqual([{ issuer: issuer.issuer, why }]);
  });

  test("keys on this very machine are none of an issuer that is elsewhere", () => {
    const described = (issuer: string, jwks_uri: string) => () =>
      keyAddressOf(issuer, JSON.stringify({ issuer, jwks_uri }));
    const elsewhere = "https://login.hospital.test";
    expect(described(elsewhere, "http://127.0.0.1:8080/keys")).toThrow("jwks_uri is no https address");
    expect(described(elsewhere, "https://keys.hospital.test/")()).toBe("https://keys.hospital.test/");
    expect(described("http://127.0.0.1:1", "http://localhost:2/keys")()).toBe("http://localhost:2/keys");
  });

  test("a key that is no point on its curve is no key of the token", async () => {
    const { issuer, statusOf } = await world();
    const bad = { ...issuer.keys[0]?.jwk, x: "AAAA" };
    issuer.answers.keys = (response) => void response.end(JSON.stringify({ keys: [bad] }));
    expect(await statusOf()).toBe(401);
  });
});
