import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { readConfig } from "../src/config.ts";
import { defaultMessageSettings } from "../src/flows/message-settings.ts";
import { openMessageListener, withDemoSender } from "../src/message-listener.ts";

let folder: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "listener-"));
});
afterAll(() => rm(folder, { recursive: true }));

const file = { settings: defaultMessageSettings, senders: [] };
// Opening asks nothing of what stands behind the door.
const doors = { service: { log: {} } as never, trail: {} as never, file };
const open = (env: Readonly<Record<string, string>>, isDemo = false) =>
  openMessageListener(readConfig(env), doors, { isDemo, tls: undefined });

describe("the MLLP door", () => {
  test("stays shut without a port, and opens on any free one with the demo", async () => {
    expect(await open({})).toBeUndefined();
    const listener = await open({}, true);
    expect(listener?.port).toBeGreaterThan(0);
    await listener?.close();
  });

  test("names the port that is taken, and what to do", async () => {
    const other = createServer();
    await new Promise<void>((resolve) => other.listen(0, "127.0.0.1", resolve));
    const { port } = other.address() as { port: number };
    await expect(open({ MLLP_PORT: String(port) })).rejects.toThrow(`Port ${port} on 127.0.0.1 is taken.`);
    await new Promise((resolve) => other.close(resolve));
  });

  test("asks for certificates over TLS only, from a file that can be read", async () => {
    const ca = join(folder, "ca.pem");
    await expect(open({ MLLP_PORT: "0", MLLP_CLIENT_CA_FILE: ca })).rejects.toThrow("set TLS_CERT_FILE too");
    const tls = { MLLP_PORT: "0", MLLP_CLIENT_CA_FILE: ca, TLS_CERT_FILE: "a", TLS_KEY_FILE: "b" };
    await expect(open(tls)).rejects.toThrow("cannot be read (ENOENT)");
  });
});

describe("the demo's sender", () => {
  test("is the demo's integration engine, for whoever sends, unless senders are configured", async () => {
    await writeFile(
      join(folder, "demo-clients.json"),
      JSON.stringify({ clients: { integration: { clientId: "demo.abc", key: {} } } }),
    );
    const demo = await withDemoSender(file, folder);
    expect(demo.senders).toEqual([{ facility: "*", application: "*", clientId: "demo.abc" }]);
    expect(demo.settings.authorities).toMatchObject([
      { namespace: "DEMO", trust: "certain" },
      { namespace: "NHS", trust: "certain", checkDigit: "nhs-number" },
    ]);
    const own = { ...file, senders: [{ facility: "A", application: "B", clientId: "demo.x" }] };
    expect(await withDemoSender(own, folder)).toBe(own);
  });
});
