import { generateKeyPairSync, type KeyObject, sign } from "node:crypto";

/** A certificate that vouches for itself, and its key: PEM texts, made anew in each test run and trusted by nobody else. */
export interface SelfSigned {
  readonly certificate: string;
  readonly key: string;
}

/** Makes one for `localhost` and 127.0.0.1, valid from yesterday to tomorrow (RFC 5280, 4.1; ECDSA with SHA-256: RFC 5758, 3.2). */
export function selfSigned(): SelfSigned {
  const { publicKey, privateKey } = generateKeyPairSync("ec", { namedCurve: "P-256" });
  const body = toBeSigned(publicKey);
  const signature = sign("sha256", body, privateKey);
  const whole = sequence(body, ecdsaWithSha256, tagged(0x03, Buffer.concat([Buffer.of(0), signature])));
  const lines = whole.toString("base64").match(/.{1,64}/g) ?? [];
  return {
    certificate: `-----BEGIN CERTIFICATE-----\n${lines.join("\n")}\n-----END CERTIFICATE-----\n`,
    key: privateKey.export({ type: "pkcs8", format: "pem" }).toString(),
  };
}

/** One DER value: what it is, how long it is, what it holds (X.690, 8.1). */
function tagged(tag: number, ...parts: readonly Buffer[]): Buffer {
  const content = Buffer.concat(parts);
  const { length } = content;
  const size = length < 0x80 ? [length] : length < 0x100 ? [0x81, length] : [0x82, length >> 8, length & 0xff];
  return Buffer.concat([Buffer.of(tag, ...size), content]);
}

function sequence(...parts: readonly Buffer[]): Buffer {
  return tagged(0x30, ...parts);
}

const ecdsaWithSha256 = sequence(Buffer.from("06082a8648ce3d040302", "hex"));
const commonName = Buffer.from("0603550403", "hex");
const subjectAltName = Buffer.from("0603551d11", "hex");

function toBeSigned(publicKey: KeyObject): Buffer {
  const name = sequence(tagged(0x31, sequence(commonName, tagged(0x0c, Buffer.from("localhost")))));
  const validity = sequence(utcTime(-86_400_000), utcTime(86_400_000));
  const names = sequence(tagged(0x82, Buffer.from("localhost")), tagged(0x87, Buffer.of(127, 0, 0, 1)));
  const extensions = tagged(0xa3, sequence(sequence(subjectAltName, tagged(0x04, names))));
  const version3 = tagged(0xa0, tagged(0x02, Buffer.of(2)));
  const serial = tagged(0x02, Buffer.of(1));
  const key = publicKey.export({ type: "spki", format: "der" });
  return sequence(version3, serial, ecdsaWithSha256, name, validity, name, key, extensions);
}

function utcTime(fromNowMs: number): Buffer {
  const digits = new Date(Date.now() + fromNowMs).toISOString().replace(/\D/g, "");
  return tagged(0x17, Buffer.from(`${digits.slice(2, 14)}Z`));
}
