import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { signatureAlgorithms } from "../src/flows/key-set.ts";
import { readTokenIssuers } from "../src/token-issuers.ts";
import { repositoryFile } from "./house/source-tree.ts";

let folder: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "tidegate-issuers-"));
});

afterAll(() => rm(folder, { recursive: true }));

const whole = {
  issuer: "https://login.hospital.example/realms/care",
  audience: "https://tidegate.example/fhir",
  tenant: "north",
  role: "integration",
};

async function read(content: unknown) {
  const file = join(folder, "issuers.json");
  await writeFile(file, typeof content === "string" ? content : JSON.stringify(content));
  return readTokenIssuers({ TOKEN_ISSUERS_FILE: file });
}

/** What is said of a file, without the file's name. */
async function complaint(content: unknown): Promise<string[]> {
  const message = await read(content).then(
    () => "",
    (error: Error) => error.message,
  );
  const [first, ...lines] = message.split("\n");
  expect(first).toBe("The configuration is not usable.");
  return lines.map((line) => line.replace(/^TOKEN_ISSUERS_FILE is ".*?issuers\.json": /, ""));
}

describe("the file of issuers", () => {
  test("is none unless one is configured", async () => {
    expect(await readTokenIssuers({ TOKEN_ISSUERS_FILE: undefined })).toEqual([]);
  });

  test("with one tenant gives each of its tokens that tenant, by every algorithm with a public key", async () => {
    expect(await read([whole])).toEqual([{ ...whole, algorithms: signatureAlgorithms }]);
    expect(signatureAlgorithms.filter((one) => !/^(RS|PS|ES)(256|384|512)$/.test(one))).toEqual([]);
  });

  test("of the document is one that is taken", async () => {
    const [example = ""] = /(?<=```json\n)\[[^`]*(?=```)/.exec(repositoryFile("docs/external-issuers.md")) ?? [];
    const issuers = await read(example);
    expect(issuers.map(({ role }) => role)).toEqual(["integration", "dashboard", "dashboard"]);
    expect(issuers[2]?.tenant).toEqual({
      claim: "tenant",
      slugs: new Map([
        ["0031", "north"],
        ["0032", "south"],
      ]),
    });
  });
});

describe("what is wrong in the file is told by its place, with what is expected there", () => {
  const { tenant: _, ...without } = whole;
  test.each<[string, unknown, string | RegExp]>([
    ["no JSON", "{", "it holds no JSON; docs/external-issuers.md shows a whole one"],
    ["no list", whole, "the whole: a list of issuers: [ { … } ]"],
    ["a plain address", [{ ...whole, issuer: "http://login.hospital.example" }], /^\[0\]\.issuer: an https address/],
    ["an address with a query", [{ ...whole, issuer: `${whole.issuer}?x` }], /^\[0\]\.issuer: an https address/],
    ["no address", [{ ...whole, issuer: 1 }], /^\[0\]\.issuer: an https address/],
    ["no audience", [whole, { ...whole, audience: undefined }], /^\[1\]\.audience: what this service is called/],
    [
      "an unknown role",
      [{ ...whole, role: "king" }],
      "[0].role: one of integration, dashboard, commissioner, administrator",
    ],
    ["an unknown label", [{ ...whole, confidentiality: "X" }], "[0].confidentiality: one of N, R, V"],
    ["a role of every object", [{ ...whole, role: "constructor" }], /^\[0\]\.role: one of/],
    [
      "a shared secret",
      [{ ...whole, algorithms: ["RS256", "HS256"] }],
      /^\[0\]\.algorithms\[1\]: one of .* never taken$/,
    ],
    ["no signature", [{ ...whole, algorithms: ["none"] }], /^\[0\]\.algorithms\[0\]: one of .* never taken$/],
    ["no algorithm", [{ ...whole, algorithms: [] }], /^\[0\]\.algorithms: at least one/],
    ["no tenant", [without], /^\[0\]\.tenant: give tenant, or tenantClaim with tenants/],
    ["a claim without tenants", [{ ...without, tenantClaim: "tenant" }], /^\[0\]\.tenant: give tenant/],
    ["two ways to a tenant", [{ ...whole, tenantClaim: "t", tenants: { a: "north" } }], /^\[0\]\.tenant: leave it out/],
    [
      "a tenant of capitals",
      [{ ...without, tenantClaim: "t", tenants: { a: "North" } }],
      /^\[0\]\.tenants\.a: the name/,
    ],
    ["a misspelt member", [{ ...whole, tennant: "x" }], /^\[0\]: Unrecognized key: "tennant"/],
    [
      "two bindings",
      [{ ...whole, role: "dashboard", patientClaim: "p", organizationClaim: "o" }],
      /^\[0\]\.patientClaim/,
    ],
    ["a bound engine", [{ ...whole, patientClaim: "p" }], /^\[0\]\.role: dashboard/],
    ["one issuer twice", [whole, { ...whole, role: "dashboard" }], /^\[1\]\.audience: another entry has this issuer/],
  ])("%s", async (_what, content, expected) => {
    const lines = await complaint(content);
    expect(lines).toHaveLength(1);
    expect(lines[0]).toMatch(expected);
  });

  test("every place at once", async () => {
    expect(
      await complaint([
        { ...whole, role: "x" },
        { ...whole, issuer: "x" },
      ]),
    ).toHaveLength(2);
  });

  test("a file that is not there", async () => {
    const file = join(folder, "missing.json");
    await expect(readTokenIssuers({ TOKEN_ISSUERS_FILE: file })).rejects.toThrow(
      `TOKEN_ISSUERS_FILE is "${file}": the file cannot be read (ENOENT)`,
    );
  });
});
