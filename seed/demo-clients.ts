import { chmod, mkdir, readFile, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { exportJWK, generateKeyPair, type JWK } from "jose";
import { type ClientWanted, readClient, registerClient } from "../src/flows/client.ts";
import type { Service } from "../src/flows/service.ts";
import { organizationId } from "./scenario/service.ts";

/** A client of the demo with its secret key, as the script that signs for it reads it. */
export interface DemoClient {
  readonly clientId: string;
  readonly key: JWK;
}

/** What `demo-clients.json` in the data folder holds, for its owner alone. */
export interface DemoClients {
  readonly clients: Readonly<Record<string, DemoClient>>;
}

const fileName = "demo-clients.json";

/** One of each kind. */
const wanted: Readonly<Record<string, Omit<ClientWanted, "jwks">>> = {
  integration: { name: "Demo: integration engine", role: "integration" },
  dashboard: { name: "Demo: dashboard", role: "dashboard" },
  worklist: {
    name: "Demo: worklist of the hospital",
    role: "integration",
    scope: "system/Task.rus system/Communication.crus system/Patient.rs system/CareTeam.rs system/Practitioner.rs",
  },
  ward: { name: "Demo: dashboard of one service", role: "dashboard", organizationId },
  emergency: {
    name: "Demo: dashboard of the emergency team",
    role: "dashboard",
    scope: "system/*.rs tidegate/dashboard.r tidegate/break-glass.c",
  },
  person: { name: "Demo: dashboard of one person", role: "dashboard", patientId: "patient-steady" },
  commissioner: { name: "Demo: commissioner", role: "commissioner" },
  administrator: { name: "Demo: administrator", role: "administrator" },
};

/** What the demo's clients are called. */
export const demoClientNames: readonly string[] = Object.keys(wanted);

/** Registers a client of each kind, unless those of an earlier start still are. */
export async function registerDemoClients(service: Service, tenantId: number, dataFolder: string): Promise<void> {
  const known = await readDemoClients(dataFolder).catch((): DemoClients => ({ clients: {} }));
  const clients: Record<string, DemoClient> = {};
  for (const [name, client] of Object.entries(wanted)) {
    const earlier = known.clients[name];
    const stands = earlier !== undefined && (await readClient(service, tenantId, earlier.clientId)).ok;
    clients[name] = stands ? earlier : await register(service, tenantId, client);
  }
  await mkdir(dataFolder, { recursive: true });
  const path = join(dataFolder, fileName);
  await writeFile(path, `${JSON.stringify({ clients }, null, 2)}\n`, { mode: 0o600 });
  await chmod(path, 0o600);
}

async function register(service: Service, tenantId: number, client: Omit<ClientWanted, "jwks">): Promise<DemoClient> {
  const { publicKey, privateKey } = await generateKeyPair("ES384", { extractable: true });
  const named = { kid: "demo", alg: "ES384" };
  const jwks = { keys: [{ ...(await exportJWK(publicKey)), ...named }] };
  const made = await registerClient(service, tenantId, { ...client, jwks });
  if (!made.ok) throw new Error(made.refusals.map((one) => one.detail).join(" "));
  return { clientId: made.value.clientId, key: { ...(await exportJWK(privateKey)), ...named } };
}

/** The clients of the demo as its last start left them; throws where there is none. */
export async function readDemoClients(dataFolder: string): Promise<DemoClients> {
  return JSON.parse(await readFile(join(dataFolder, fileName), "utf8")) as DemoClients;
}
