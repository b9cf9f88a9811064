import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { coverageOf, uploadDocument } from "../../src/fhir/upload.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const coverage = [
  {
    deviceId: "d",
    uploadId: "u",
    startMs: Date.parse("2026-03-01T00:00:00.500Z"),
    endMs: Date.parse("2026-03-05T12:00:00Z"),
  },
  {
    deviceId: "d",
    uploadId: "u",
    startMs: Date.parse("2026-03-07T00:00:00Z"),
    endMs: Date.parse("2026-03-08T00:00:00Z"),
  },
];
const document = uploadDocument({
  id: "u",
  patientId: "p",
  deviceId: "d",
  receivedIso: "2026-03-08T10:00:00Z",
  contentType: "application/json",
  size: 12,
  sha1Base64: "2jmj7l5rSw0yVb/vlWAYkK/YBwk=",
  sha256Hex: "ab".repeat(32),
  url: "/api/v1/uploads/u/content",
  coverage,
});

test("an upload's document is valid R4 and reads back to the millisecond, every range of it", () => {
  expect(validateResource(document)).toEqual([]);
  expect(coverageOf(document)).toEqual([{ kind: "coverage", coverage }]);
});

test("R4's Attachment.hash is SHA-1 in base64 (https://hl7.org/fhir/R4/datatypes.html#Attachment): 20 bytes", () => {
  expect(Buffer.from(document.content[0]?.attachment.hash ?? "", "base64")).toHaveLength(20);
});

test("an upload that vouches for nothing covers nothing, and other documents state nothing", () => {
  const { extension: _, ...bare } = document;
  expect(coverageOf(bare)).toEqual([]);
  expect(coverageOf({ ...document, context: {} })).toEqual([]);
  expect(coverageOf({ ...document, status: "entered-in-error" })).toEqual([]);
});
