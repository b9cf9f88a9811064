import Fastify, { type FastifyRequest } from "fastify";
import { describe, expect, test } from "vitest";
import { clientAddressOf } from "../../src/http/origin.ts";

// RFC 7239, 5.2, 6.3 and 8.1.
describe("the address of whoever asks", () => {
  test.each([
    ["the peer, where no proxy is trusted", "198.51.100.7", { forwarded: "for=203.0.113.1" }, "198.51.100.7"],
    ["whom the proxy saw", "192.0.2.1", { forwarded: 'for="[2001:db8::9]:4711"' }, "2001:db8::9"],
    ["whom the proxy saw, in the older header", "192.0.2.1", { "x-forwarded-for": "203.0.113.1" }, "203.0.113.1"],
    [
      "not whom the client invented before",
      "192.0.2.1",
      { "x-forwarded-for": "203.0.113.9, 203.0.113.1" },
      "203.0.113.1",
    ],
    [
      "the proxy, where the two kinds contradict each other: one of them is invented",
      "192.0.2.1",
      { forwarded: "for=203.0.113.9", "x-forwarded-for": "203.0.113.1" },
      "192.0.2.1",
    ],
    [
      "the proxy, where it hides the client and the client invents one",
      "192.0.2.1",
      { forwarded: "for=_hidden", "x-forwarded-for": "203.0.113.9" },
      "192.0.2.1",
    ],
    ["the proxy, where it names nobody", "192.0.2.1", { forwarded: "proto=https" }, "192.0.2.1"],
    ["the proxy, where what it names is no address", "192.0.2.1", { "x-forwarded-for": "unknown" }, "192.0.2.1"],
  ])("is %s", async (_what, remoteAddress, headers, expected) => {
    const app = Fastify();
    app.get("/", (request: FastifyRequest) => clientAddressOf(["192.0.2.1"], request));
    const answer = await app.inject({ url: "/", remoteAddress, headers: headers as Record<string, string> });
    expect(answer.body).toBe(expected);
    await app.close();
  });
});
