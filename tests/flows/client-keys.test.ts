import { createServer } from "node:http";
import type { AddressInfo } from "node:net";
import { afterEach, describe, expect, test } from "vitest";
import { clientKeys } from "../../src/flows/client-keys.ts";
import { keyPair } from "../support/client.ts";

const url = "https://keys.test/jwks";

/** Keys behind an address that counts its visitors, with a clock. */
async function world(cacheControl = "") {
  const clock = { at: 0 };
  const shown = [(await keyPair("ES384", "first")).jwk];
  let fetches = 0;
  const keys = clientKeys(
    () => clock.at,
    async () => {
      fetches += 1;
      return { text: JSON.stringify({ keys: shown }), cacheControl };
    },
  );
  const finds = async (kid: string) => {
    const find = await keys.of({ jwksUrl: url }, kid);
    return Promise.resolve(find({ alg: "ES384", kid }, { payload: "", signature: "" } as never)).then(
      () => true,
      () => false,
    );
  };
  return { clock, shown, finds, fetches: () => fetches };
}

describe("keys that are fetched", () => {
  test("are kept as long as the address says, within half a minute and a day", async () => {
    for (const [cacheControl, keptMs] of [
      ["", 300_000],
      ["max-age=60", 60_000],
      ["public, max-age=1", 30_000],
      ["max-age=999999999", 86_400_000],
      ["no-store", 30_000],
    ] as const) {
      const { clock, finds, fetches } = await world(cacheControl);
      await finds("first");
      clock.at = keptMs - 1;
      await finds("first");
      expect(fetches()).toBe(1);
      clock.at = keptMs;
      await finds("first");
      expect(fetches()).toBe(2);
    }
  });

  test("are asked for anew when a kid is unknown, for keys rotate; not more than twice a minute", async () => {
    const { clock, shown, finds, fetches } = await world();
    expect(await finds("second")).toBe(false);
    shown.push((await keyPair("ES384", "second")).jwk);
    clock.at = 29_999;
    expect(await finds("second")).toBe(false);
    expect(fetches()).toBe(1);
    clock.at = 30_000;
    expect(await finds("second")).toBe(true);
    expect(fetches()).toBe(2);
  });

  test("are fetched once for all who ask at the same time", async () => {
    const { finds, fetches } = await world();
    expect(await Promise.all(Array.from({ length: 20 }, () => finds("first")))).not.toContain(false);
    expect(fetches()).toBe(1);
  });
});

describe("an address that does not answer as it should", () => {
  const closing: (() => void)[] = [];
  afterEach(() => {
    for (const close of closing.splice(0)) close();
  });

  async function served(status: number, body: string, headers: Record<string, string> = {}): Promise<string> {
    const server = createServer((_request, response) => response.writeHead(status, headers).end(body));
    await new Promise<void>((done) => server.listen(0, "127.0.0.1", done));
    closing.push(() => void server.close());
    return `http://127.0.0.1:${(server.address() as AddressInfo).port}/`;
  }

  test.each<[string, number, string, Record<string, string>]>([
    ["is missing", 404, "{}", {}],
    ["leads elsewhere", 302, "", { location: "http://127.0.0.1:1/" }],
    ["is no JSON", 200, "<html>", {}],
    ["has no key", 200, '{"keys":[]}', {}],
    ["is endless", 200, `{"keys":[${" ".repeat(200_000)}]}`, {}],
  ])("that %s gives no key", async (_what, status, body, headers) => {
    const address = await served(status, body, headers);
    await expect(clientKeys(() => 0).of({ jwksUrl: address }, "any")).rejects.toMatchObject({
      code: "ERR_JWKS_INVALID",
    });
  });

  test("that answers gives its keys, those for other ends left out", async () => {
    const { jwk } = await keyPair("RS384", "right");
    const address = await served(200, JSON.stringify({ keys: [{ kty: "oct", k: "x", kid: "no" }, jwk] }));
    const find = await clientKeys(() => 0).of({ jwksUrl: address }, "right");
    await expect(find({ alg: "RS384", kid: "right" }, {} as never)).resolves.toBeDefined();
  });
});
