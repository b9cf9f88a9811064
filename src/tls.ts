import { readFile } from "node:fs/promises";
import { createSecureContext } from "node:tls";
import type { Config } from "./config.ts";
import type { TlsPair } from "./http/edge-settings.ts";

/**
 * Reads the certificate and its key; undefined where none are configured. Throws where a file cannot be read or the two
 * are no pair, naming the variable and the file and nothing of what is in it.
 */
export async function readTls(config: Pick<Config, "TLS_CERT_FILE" | "TLS_KEY_FILE">): Promise<TlsPair | undefined> {
  const { TLS_CERT_FILE, TLS_KEY_FILE } = config;
  if (TLS_CERT_FILE === undefined || TLS_KEY_FILE === undefined) return undefined;
  const certificate = await read("TLS_CERT_FILE", TLS_CERT_FILE);
  const key = await read("TLS_KEY_FILE", TLS_KEY_FILE);
  usable("TLS_CERT_FILE", TLS_CERT_FILE, "it holds no certificate in PEM", { cert: certificate });
  usable("TLS_KEY_FILE", TLS_KEY_FILE, "it holds no private key in PEM without a passphrase", { key });
  usable("TLS_KEY_FILE", TLS_KEY_FILE, `it is not the key of the certificate in ${TLS_CERT_FILE}`, {
    cert: certificate,
    key,
  });
  return { certificate, key };
}

async function read(variable: string, path: string): Promise<string> {
  try {
    return await readFile(path, "utf8");
  } catch (error) {
    throw unusable(variable, path, `the file cannot be read (${(error as { code?: string }).code ?? "unknown"})`);
  }
}

// OpenSSL's own words name neither variable nor file, so they are left out.
function usable(variable: string, path: string, otherwise: string, pair: { cert?: string; key?: string }): void {
  try {
    createSecureContext(pair);
  } catch {
    throw unusable(variable, path, otherwise);
  }
}

function unusable(variable: string, path: string, why: string): Error {
  return new Error(`The configuration is not usable.\n${variable} is "${path}": ${why}`);
}
