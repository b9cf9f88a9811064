import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";

// Three a minute. Addresses are those of documentation (RFC 5737, RFC 3849).
let here: TestApp;

beforeEach(async () => {
  const edge = { corsOrigins: ["https://dashboard.example"], requestsPerMinute: 3, maxConnections: 100 };
  here = await testApp("2026-04-10T09:00:00Z", { edge, trustedProxies: ["192.0.2.1"] });
});

afterEach(() => here.close());

interface Asked {
  readonly url?: string;
  readonly token?: string;
  readonly from?: string;
  readonly headers?: Record<string, string>;
}

function ask({ url = "/fhir/Patient", token, from = "198.51.100.1", headers = {} }: Asked) {
  const authorization = token === undefined ? {} : { authorization: `Bearer ${token}` };
  return here.app.inject({ url, remoteAddress: from, headers: { ...authorization, ...headers } });
}

async function statuses(asked: readonly Asked[]): Promise<number[]> {
  const answers: number[] = [];
  for (const one of asked) answers.push((await ask(one)).statusCode);
  return answers;
}

const times = (count: number, asked: Asked) => Array.from({ length: count }, () => asked);

describe("a client that asks too often", () => {
  // RFC 6585, 4: 429 and Retry-After; https://hl7.org/fhir/R4/valueset-issue-type.html: throttled.
  test("gets 429 with Retry-After and an OperationOutcome, and no resource", async () => {
    await statuses(times(3, { url: "/fhir/metadata" }));
    const answer = await ask({ url: "/fhir/metadata" });
    expect(answer.statusCode).toBe(429);
    expect(answer.headers["content-type"]).toMatch(/^application\/fhir\+json/);
    expect(answer.json()).toMatchObject({ resourceType: "OperationOutcome", issue: [{ code: "throttled" }] });
    expect(answer.headers["retry-after"]).toMatch(/^([1-9]|[1-5]\d|60)$/);
    expect(answer.headers["x-request-id"]).toBeDefined();
  });

  test("is held off at addresses that are not there as well", async () => {
    expect(await statuses(times(4, { url: "/guess" }))).toEqual([404, 404, 404, 429]);
  });

  test("keeps nobody else waiting, and does not make the process look dead", async () => {
    await statuses(times(4, {}));
    expect(await statuses([{}, { from: "198.51.100.2" }, { url: "/health/live" }, { url: "/health/ready" }])).toEqual([
      429, 401, 200, 200,
    ]);
  });

  test("can be told so in a browser", async () => {
    await statuses(times(3, {}));
    const answer = await ask({ headers: { origin: "https://dashboard.example" } });
    expect([answer.statusCode, answer.headers["access-control-allow-origin"]]).toEqual([
      429,
      "https://dashboard.example",
    ]);
  });
});

describe("who counts as one client", () => {
  test("a good token, wherever it comes from, once it was let in", async () => {
    const token = here.token;
    // The first of all counts for its address.
    expect(await statuses([{ token }, ...times(4, { token, from: "198.51.100.9" })])).toEqual([
      200, 200, 200, 200, 429,
    ]);
  });

  test("two good tokens behind one address, once both were let in", async () => {
    const [one, other] = [{ token: here.token }, { token: here.strangersToken }];
    await statuses([one, other]);
    expect(await statuses([...times(4, one), ...times(4, other)])).toEqual([200, 200, 200, 429, 200, 200, 200, 429]);
  });

  test("an address, however many tokens it invents", async () => {
    const guesses = [1, 2, 3, 4].map((at) => ({ token: `guess-${at}` }));
    expect(await statuses(guesses)).toEqual([401, 401, 401, 429]);
  });

  test("an address, with an invented token at doors that ask for none", async () => {
    const guesses = [1, 1, 2, 2].map((at) => ({ token: `guess-${at}`, url: "/fhir/metadata" }));
    expect(await statuses(guesses)).toEqual([200, 200, 200, 429]);
  });

  test("a whole /64 of IPv6, which one household has", async () => {
    const from = ["2001:db8:0:1::1", "2001:db8:0:1::2", "2001:db8:0:1:ffff::3", "2001:db8:0:1::4", "2001:db8:0:2::1"];
    expect(await statuses(from.map((one) => ({ from: one })))).toEqual([401, 401, 401, 429, 401]);
  });

  test("IPv4 as a socket of IPv6 shows it", async () => {
    const from = ["198.51.100.1", "::ffff:198.51.100.1", "198.51.100.1", "::ffff:198.51.100.1", "::ffff:198.51.100.2"];
    expect(await statuses(from.map((one) => ({ from: one })))).toEqual([401, 401, 401, 429, 401]);
  });

  test("whom a trusted proxy names, and nobody whom a stranger names", async () => {
    const by = (from: string) => (client: string) => ({ from, headers: { forwarded: `for=${client}` } });
    const proxied = ["203.0.113.1", "203.0.113.2", "203.0.113.3", "203.0.113.4"];
    expect(await statuses(proxied.map(by("192.0.2.1")))).toEqual([401, 401, 401, 401]);
    expect(await statuses(proxied.map(by("198.51.100.7")))).toEqual([401, 401, 401, 429]);
  });
});
