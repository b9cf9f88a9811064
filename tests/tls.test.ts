import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { readTls } from "../src/tls.ts";
import { selfSigned } from "./support/self-signed.ts";

const [pair, other] = [selfSigned(), selfSigned()];
let folder: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "tidegate-tls-"));
  await writeFile(join(folder, "certificate.pem"), pair.certificate);
  await writeFile(join(folder, "key.pem"), pair.key);
  await writeFile(join(folder, "other-key.pem"), other.key);
  await writeFile(join(folder, "letter.txt"), "no PEM: s3cret");
});

afterAll(() => rm(folder, { recursive: true }));

function reading(certificate: string, key: string) {
  return readTls({ TLS_CERT_FILE: join(folder, certificate), TLS_KEY_FILE: join(folder, key) });
}

describe("the certificate and its key", () => {
  test("are read where both are named", async () => {
    expect(await reading("certificate.pem", "key.pem")).toEqual(pair);
  });

  test("are none where none are named", async () => {
    expect(await readTls({})).toBeUndefined();
  });

  test.each([
    ["a certificate that is not there", "none.pem", "key.pem", /^TLS_CERT_FILE is ".*none\.pem": .*\(ENOENT\)$/m],
    ["a key that is not there", "certificate.pem", "none.pem", /^TLS_KEY_FILE is ".*none\.pem": .*\(ENOENT\)$/m],
    ["a folder", ".", "key.pem", /^TLS_CERT_FILE is ".*": .*\(EISDIR\)$/m],
    [
      "a letter for a certificate",
      "letter.txt",
      "key.pem",
      /^TLS_CERT_FILE is ".*letter\.txt": it holds no certificate/m,
    ],
    [
      "a letter for a key",
      "certificate.pem",
      "letter.txt",
      /^TLS_KEY_FILE is ".*letter\.txt": it holds no private key/m,
    ],
    ["a key for a certificate", "key.pem", "key.pem", /^TLS_CERT_FILE is ".*key\.pem": it holds no certificate/m],
    [
      "the key of another",
      "certificate.pem",
      "other-key.pem",
      /^TLS_KEY_FILE is ".*other-key\.pem": it is not the key of/m,
    ],
  ])("%s is refused by name, without what is in it", async (_what, certificate, key, message) => {
    const error: unknown = await reading(certificate, key).catch((reason: unknown) => reason);
    expect(error).toBeInstanceOf(Error);
    expect((error as Error).message).toMatch(message);
    expect((error as Error).message).not.toMatch(/s3cret|PRIVATE KEY/);
  });
});
