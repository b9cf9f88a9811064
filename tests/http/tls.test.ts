import { type AddressInfo, connect as connectPlain } from "node:net";
import { connect, createServer, type SecureVersion } from "node:tls";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { serverOptions } from "../../src/http/server-options.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { selfSigned } from "../support/self-signed.ts";

const pair = selfSigned();
let here: TestApp;
let port: number;

beforeAll(async () => {
  const edge = { corsOrigins: [], requestsPerMinute: 0, maxConnections: 100, tls: pair };
  here = await testApp("2026-04-10T09:00:00Z", { edge });
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  port = (here.app.server.address() as AddressInfo).port;
});

afterAll(() => here.close());

/** Speaks one version of TLS and asks whether the process lives: the answer, or the code of the error. */
function ask(version: SecureVersion, toPort = port): Promise<string> {
  return new Promise((resolve) => {
    const socket = connect({
      port: toPort,
      host: "127.0.0.1",
      servername: "localhost",
      ca: pair.certificate,
      minVersion: version,
      maxVersion: version,
      // OpenSSL itself refuses the old versions above this level; the server shall be the one that refuses.
      ciphers: "DEFAULT@SECLEVEL=0",
    });
    let answer = "";
    socket.on("secureConnect", () => socket.write("GET /health/live HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n"));
    socket.on("data", (chunk) => {
      answer += chunk.toString("latin1");
    });
    socket.on("error", (error: Error & { code?: string }) => resolve(error.code ?? error.message));
    socket.on("close", () => resolve(answer));
  });
}

// RFC 8996: TLS 1.0 and 1.1 must not be negotiated. RFC 9325, 3.1.1: 1.2 must be supported.
describe("with a certificate configured", () => {
  test.each(["TLSv1.2", "TLSv1.3"] as const)("%s is taken, and the certificate verified", async (version) => {
    expect(await ask(version)).toMatch(/^HTTP\/1\.1 200 /);
  });

  test.each(["TLSv1", "TLSv1.1"] as const)("%s is refused by the server", async (version) => {
    expect(await ask(version)).toBe("ERR_SSL_TLSV1_ALERT_PROTOCOL_VERSION");
  });

  // OpenSSL's usual ciphers refuse old versions as well. Without their help it is the version alone that decides.
  test.each([
    ["by our own settings, whatever ciphers are allowed", {}, "ERR_SSL_TLSV1_ALERT_PROTOCOL_VERSION"],
    ["not by a server that allows it: the client does speak it", { minVersion: "TLSv1" }, "old"],
  ] as const)("TLS 1.1 is refused %s", async (_what, settings, expected) => {
    const { https } = serverOptions({ corsOrigins: [], requestsPerMinute: 0, maxConnections: 1, tls: pair });
    const lax = { ...https, ciphers: "DEFAULT@SECLEVEL=0", ...settings };
    const server = createServer(lax, (socket) => socket.end("old"));
    await new Promise<void>((resolve) => server.listen(0, "127.0.0.1", resolve));
    expect(await ask("TLSv1.1", (server.address() as AddressInfo).port)).toBe(expected);
    server.close();
  });

  test("answers say that this host speaks TLS only (RFC 6797, 7.1)", async () => {
    expect(await ask("TLSv1.3")).toMatch(/^strict-transport-security: max-age=31536000\r$/im);
  });

  test("plain HTTP at the same port is answered nothing, and the next client is served", async () => {
    const received = await new Promise<string>((resolve) => {
      const socket = connectPlain(port, "127.0.0.1", () =>
        socket.write("GET /health/live HTTP/1.1\r\nHost: a\r\n\r\n"),
      );
      let text = "";
      socket.on("data", (chunk) => {
        text += chunk.toString("latin1");
      });
      socket.on("error", () => undefined);
      socket.on("close", () => resolve(text));
    });
    expect(received).not.toContain("live");
    expect(await ask("TLSv1.3")).toContain('"live"');
  });
});
