import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { defaultMessageSettings } from "../src/flows/message-settings.ts";
import { readMessageFile } from "../src/message-file.ts";

let folder: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "messages-"));
});
afterAll(() => rm(folder, { recursive: true }));

async function read(content: unknown) {
  const path = join(folder, "hl7v2.json");
  await writeFile(path, typeof content === "string" ? content : JSON.stringify(content));
  return readMessageFile({ HL7V2_FILE: path });
}

describe("the file of messages", () => {
  test("may be absent: then every number is claimed only and nobody comes in by MLLP", async () => {
    expect(await readMessageFile({ HL7V2_FILE: undefined })).toEqual({ settings: defaultMessageSettings, senders: [] });
  });

  test("says who sends, and whose numbers are believed", async () => {
    const file = await read({
      senders: [
        { facility: "NORTHMOOR", application: "PAS", client: "demo.abc_1", commonName: "pas.northmoor.example" },
      ],
      authorities: [
        { namespace: "NHS", system: "https://fhir.nhs.uk/Id/nhs-number", trust: "certain", checkDigit: "nhs-number" },
      ],
      deviceAuthorities: [{ universalId: "1.2.3", system: "urn:oid:1.2.3" }],
      unnamedCharacterSet: "8859/1",
      processingIds: ["P", "T"],
      unverifiedResults: "preliminary",
      duplicateScore: 0.9,
    });
    expect(file.senders).toEqual([
      { facility: "NORTHMOOR", application: "PAS", clientId: "demo.abc_1", commonName: "pas.northmoor.example" },
    ]);
    expect(file.settings).toEqual({
      authorities: [
        { namespace: "NHS", system: "https://fhir.nhs.uk/Id/nhs-number", trust: "certain", checkDigit: "nhs-number" },
      ],
      deviceAuthorities: [{ universalId: "1.2.3", system: "urn:oid:1.2.3", trust: "certain" }],
      unnamedCharacterSet: "8859/1",
      processingIds: ["P", "T"],
      results: { unverified: "preliminary" },
      duplicateScore: 0.9,
    });
  });

  test.each([
    ["no JSON", "{", "it holds no JSON"],
    [
      "an authority without a name",
      { authorities: [{ system: "urn:a", trust: "certain" }] },
      ".authorities[0]: give namespace",
    ],
    [
      "another trust",
      { authorities: [{ namespace: "A", system: "urn:a", trust: "yes" }] },
      ".authorities[0].trust: certain",
    ],
    [
      "a system that is no URI",
      { authorities: [{ namespace: "A", system: "nhs", trust: "certain" }] },
      ".system: a URI",
    ],
    [
      "a client that is none",
      { senders: [{ facility: "*", application: "*", client: "x" }] },
      ".senders[0].client: the id",
    ],
    ["a word that nobody knows", { sender: [] }, "Unrecognized key"],
  ])("with %s is refused, and the place is named", async (_what, content, message) => {
    await expect(read(content)).rejects.toThrow(message);
  });

  test("that cannot be read is refused", async () => {
    await expect(readMessageFile({ HL7V2_FILE: join(folder, "none.json") })).rejects.toThrow("cannot be read (ENOENT)");
  });
});
