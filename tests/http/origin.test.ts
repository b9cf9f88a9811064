import Fastify, { type FastifyInstance } from "fastify";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { Doors } from "../../src/http/doors.ts";
import { originOf } from "../../src/http/origin.ts";

// Forwarded: RFC 7239, sections as named; its addresses are those of documentation (RFC 5737, RFC 3849).
let app: FastifyInstance;
let doors: Pick<Doors, "publicBaseUrl" | "trustedProxies"> = {};

beforeAll(async () => {
  app = Fastify();
  app.get("/", (request) => originOf(doors, request));
  await app.ready();
});

afterAll(() => app.close());

const trustedProxies = ["192.0.2.0/24", "2001:db8::1", "127.0.0.1"];

async function originFor(
  headers: Record<string, string>,
  options: typeof doors & { peer?: string } = { trustedProxies },
) {
  const { peer, ...rest } = options;
  doors = rest;
  const answer = await app.inject({
    url: "/",
    headers: { host: "inside.test:8080", ...headers },
    remoteAddress: peer ?? "192.0.2.7",
  });
  return answer.body;
}

const inside = "http://inside.test:8080";

describe("a trusted proxy says how the client came", () => {
  test.each([
    ["proto and host (4)", { forwarded: "proto=https;host=gate.example" }, "https://gate.example"],
    ["names in any case (4)", { forwarded: "For=198.51.100.1;Proto=HTTPS;Host=gate.example" }, "https://gate.example"],
    ["quoted values (4)", { forwarded: 'proto="https";host="gate.example:8443"' }, "https://gate.example:8443"],
    [
      "an IPv6 host, quoted (6)",
      { forwarded: 'for="[2001:db8::9]:47011";host="[2001:db8::5]:8443";proto=https' },
      "https://[2001:db8::5]:8443",
    ],
    ["proto alone", { forwarded: "proto=https" }, "https://inside.test:8080"],
    [
      "two trusted hops: the outer one counts (7.1)",
      { forwarded: "for=198.51.100.1;proto=https;host=gate.example, for=192.0.2.44;proto=http;host=mid.example" },
      "https://gate.example",
    ],
    [
      "a hop that the client itself wrote is hearsay (8.1)",
      { forwarded: "for=192.0.2.1;proto=https;host=evil.example, for=198.51.100.66;proto=https;host=gate.example" },
      "https://gate.example",
    ],
    [
      "a hidden client ends the walk (6.3)",
      { forwarded: "host=evil.example, for=_hidden;proto=https;host=gate.example" },
      "https://gate.example",
    ],
    [
      "a trusted hop in brackets with its port (6)",
      { forwarded: 'proto=https;host=gate.example, for="[2001:db8::1]:4711";host=mid.example' },
      "https://gate.example",
    ],
    ["the older headers", { "x-forwarded-proto": "https", "x-forwarded-host": "gate.example" }, "https://gate.example"],
    [
      "the older headers of two hops",
      {
        "x-forwarded-for": "198.51.100.1, 192.0.2.44",
        "x-forwarded-proto": "https, http",
        "x-forwarded-host": "gate.example, mid.example",
      },
      "https://gate.example",
    ],
    [
      "an older hop that the client itself wrote",
      { "x-forwarded-for": "192.0.2.1, 198.51.100.66", "x-forwarded-host": "evil.example, gate.example" },
      "http://gate.example",
    ],
    [
      "both kinds that agree",
      { forwarded: "proto=https;host=gate.example", "x-forwarded-proto": "https", "x-forwarded-host": "gate.example" },
      "https://gate.example",
    ],
  ])("%s", async (_what, headers, expected) => {
    expect(await originFor(headers as Record<string, string>)).toBe(expected);
  });

  test("as seen by a socket that listens on IPv6", async () => {
    const forwarded = "proto=https;host=gate.example";
    expect(await originFor({ forwarded }, { trustedProxies, peer: "::ffff:192.0.2.7" })).toBe("https://gate.example");
    expect(await originFor({ forwarded }, { trustedProxies, peer: "2001:db8::1" })).toBe("https://gate.example");
  });
});

describe("what is not believed", () => {
  test.each([
    ["a peer that nobody trusts", { trustedProxies, peer: "198.51.100.3" }],
    ["a neighbour of a trusted IPv6 address", { trustedProxies, peer: "2001:db8::2" }],
    ["anybody where no proxy is named", {}],
  ])("%s", async (_what, options) => {
    const headers = { forwarded: "proto=https;host=evil.example", "x-forwarded-host": "evil.example" };
    expect(await originFor(headers, options)).toBe(inside);
  });

  test.each([
    ["javascript:alert(1)"],
    ["evil.example/path"],
    ["a b"],
    ["user@evil.example"],
    ["evil.example:99999"],
    ["[2001:db8::zz]"],
    ["<script>"],
    [""],
    ["a".repeat(300)],
  ])("the host %j", async (host) => {
    expect(await originFor({ forwarded: `host="${host}"` })).toBe(inside);
    expect(await originFor({ "x-forwarded-host": host })).toBe(inside);
  });

  test.each(["javascript", "ftp", "https://evil.example/", ""])("the protocol %j", async (proto) => {
    expect(await originFor({ forwarded: `proto="${proto}"` })).toBe(inside);
    expect(await originFor({ "x-forwarded-proto": proto })).toBe(inside);
  });

  // A proxy that writes one kind may pass on the other as the client sent it.
  test("two kinds that contradict each other", async () => {
    expect(await originFor({ forwarded: "host=gate.example", "x-forwarded-host": "evil.example" })).toBe(inside);
  });

  test("quotation marks that never end", async () => {
    expect(await originFor({ forwarded: 'host="gate.example, proto=https' })).toBe(inside);
  });
});

test("the configured origin outweighs them all", async () => {
  const publicBaseUrl = "https://public.example/tidegate";
  expect(await originFor({ forwarded: "host=gate.example" }, { publicBaseUrl, trustedProxies })).toBe(publicBaseUrl);
});
