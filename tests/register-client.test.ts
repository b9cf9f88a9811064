import { mkdtemp, rm, stat, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { demoClientNames, readDemoClients, registerDemoClients } from "../seed/demo-clients.ts";
import { clientsOf, readClient } from "../src/flows/client.ts";
import { registerClientCommand } from "../src/register-client.ts";
import { findTenant } from "../src/store/tenant.ts";
import { keyPair } from "./support/client.ts";
import { type TestService, testService } from "./support/service.ts";

let here: TestService;
let folder: string;
let keys: string;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  folder = await mkdtemp(join(tmpdir(), "tidegate-clients-"));
  keys = join(folder, "keys.json");
  const { jwk } = await keyPair();
  await writeFile(keys, JSON.stringify({ keys: [jwk] }));
});

afterAll(async () => {
  await rm(folder, { recursive: true });
  await here.close();
});

const run = (text: string) => registerClientCommand(here.service, text.split(" "));

describe("the command that registers a client", () => {
  test("makes the tenant where it is new, and says the client's id and what it may ask for", async () => {
    const said = await run(`--tenant north --name Ward --role dashboard --jwks ${keys} --organization service`);
    const clientId = /^Registered as (north\.[\w-]{16})\n/.exec(said)?.[1] ?? "";
    const tenant = await findTenant(here.database, "north");
    const found = await readClient(here.service, tenant?.tenantId ?? 0, clientId);
    expect(found).toMatchObject({ ok: true, value: { name: "Ward", role: "dashboard", organizationId: "service" } });
    expect(said).toContain("It may ask for: system/*.rs tidegate/dashboard.r");
  });

  test.each([
    ["--tenant north --role dashboard", "Call it as:"],
    [`--tenant North --name Ward --role dashboard --jwks KEYS`, "Call it as:"],
    ["--tenant north --name Ward --role dashboard", "Give either jwks"],
    ["--tenant north --name Ward --role surgeon --jwks KEYS", "A role is one of"],
    ["--tenant north --name Ward --role dashboard --jwks KEYS --scope system/*.cruds", "at most"],
    ["--tenant north --name Ward --role dashboard --jwks-url http://ward.example/keys", "https"],
    ["--tenant north --name Ward --role dashboard --jwks KEYS --confidentiality Z", "N, R, V"],
    ["--tenant north --colour blue", "--colour"],
  ])("says what to mend in %s", async (text, words) => {
    await expect(run(text.replace("KEYS", keys))).rejects.toThrow(words);
  });
});

describe("the clients of the demo", () => {
  test("are one of each kind, registered once, with keys that are their owner's alone", async () => {
    await registerDemoClients(here.service, here.tenantId, folder);
    const first = await readDemoClients(folder);
    await registerDemoClients(here.service, here.tenantId, folder);
    expect(await readDemoClients(folder)).toEqual(first);
    expect(Object.keys(first.clients)).toEqual(demoClientNames);
    expect(await clientsOf(here.service, here.tenantId)).toHaveLength(demoClientNames.length);
    expect((await stat(join(folder, "demo-clients.json"))).mode & 0o777).toBe(0o600);
  });

  test("only that of the emergency team may break the glass", async () => {
    await registerDemoClients(here.service, here.tenantId, folder);
    const breaking = (await clientsOf(here.service, here.tenantId)).filter((one) =>
      one.scopes.includes("tidegate/break-glass.c"),
    );
    expect(breaking.map((one) => one.name)).toEqual(["Demo: dashboard of the emergency team"]);
  });
});
