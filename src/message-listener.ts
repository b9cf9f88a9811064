import { readFile } from "node:fs/promises";
import { readDemoClients } from "../seed/demo-clients.ts";
import type { Config } from "./config.ts";
import type { AuditBuffer } from "./flows/audit-buffer.ts";
import type { Service } from "./flows/service.ts";
import type { TlsPair } from "./http/edge-settings.ts";
import type { MessageFile } from "./message-file.ts";
import { listenMllp, type MllpListener } from "./mllp/listener.ts";

/** From the first byte of a message to its last. */
const frameMs = 60_000;

/**
 * With the demo, messages of any sender come from the demo's integration engine, and the numbers of its hospital, and NHS
 * numbers whose check digit holds, name one person for good: whoever tries the service has something to send to at once.
 */
export async function withDemoSender(file: MessageFile, dataFolder: string): Promise<MessageFile> {
  const { clients } = await readDemoClients(dataFolder);
  const clientId = clients.integration?.clientId;
  if (clientId === undefined || file.senders.length > 0) return file;
  const demoAuthorities = [
    { namespace: "DEMO", system: "https://demo.tidegate.example/hospital-number", trust: "certain" },
    { namespace: "NHS", system: "https://fhir.nhs.uk/Id/nhs-number", trust: "certain", checkDigit: "nhs-number" },
  ] as const;
  return {
    senders: [{ facility: "*", application: "*", clientId }],
    settings: { ...file.settings, authorities: [...file.settings.authorities, ...demoAuthorities] },
  };
}

/** Opens the MLLP door where MLLP_PORT asks for it, and with the demo on any free port; undefined where it stays shut. */
export async function openMessageListener(
  config: Config,
  doors: { readonly service: Service; readonly trail: Pick<AuditBuffer, "add" | "touch">; readonly file: MessageFile },
  options: { readonly isDemo: boolean; readonly tls: TlsPair | undefined },
): Promise<MllpListener | undefined> {
  const port = config.MLLP_PORT ?? (options.isDemo ? 0 : undefined);
  if (port === undefined) return undefined;
  const { service, trail, file } = doors;
  const clientCa = await clientCaOf(config);
  const { tls } = options;
  try {
    return await listenMllp(
      { service, trail, settings: file.settings, senders: file.senders },
      {
        host: config.MLLP_HOST,
        port,
        maxConnections: config.MLLP_MAX_CONNECTIONS,
        maxFrameBytes: config.MAX_BODY_BYTES,
        idleMs: config.MLLP_IDLE_SECONDS * 1_000,
        frameMs,
        ...(tls === undefined ? {} : { tls: { ...tls, ...(clientCa === undefined ? {} : { clientCa }) } }),
      },
    );
  } catch (error) {
    if ((error as { code?: string }).code !== "EADDRINUSE") throw error;
    throw new Error(
      `Port ${port} on ${config.MLLP_HOST} is taken. Stop what uses it, or set MLLP_PORT (0 takes any free one).`,
    );
  }
}

async function clientCaOf({ MLLP_CLIENT_CA_FILE: path, TLS_CERT_FILE }: Config): Promise<string | undefined> {
  if (path === undefined) return undefined;
  const unusable = (why: string) =>
    new Error(`The configuration is not usable.\nMLLP_CLIENT_CA_FILE is "${path}": ${why}`);
  if (TLS_CERT_FILE === undefined)
    throw unusable("certificates of senders are asked for over TLS only; set TLS_CERT_FILE too");
  try {
    return await readFile(path, "utf8");
  } catch (error) {
    throw unusable(`the file cannot be read (${(error as { code?: string }).code ?? "unknown"})`);
  }
}
