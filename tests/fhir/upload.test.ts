import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { clockCheckOf, coverageOf, uploadDocument } from "../../src/fhir/upload.ts";

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
const upload = {
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
};
const document = uploadDocument(upload);

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

const readIso = "2026-03-08T09:59:30.250Z";

test.each([400_125, -400_125, 0, -1])("a clock %d ms ahead at the reading reads back to the millisecond", (driftMs) => {
  const noted = uploadDocument({ ...upload, readIso, driftMs });
  expect(validateResource(noted)).toEqual([]);
  const check = { uploadId: "u", deviceId: "d", readMs: Date.parse(readIso), driftMs };
  expect(clockCheckOf(noted)).toEqual([{ kind: "clock-check", check }]);
  expect(coverageOf(noted)).toEqual(coverageOf(document));
});

test("the clock's difference is a UCUM quantity in seconds, and another system may send minutes", () => {
  const noted = uploadDocument({ ...upload, readIso, driftMs: 90_500 });
  expect(noted.extension?.at(-1)?.valueQuantity).toEqual({
    value: 90.5,
    unit: "s",
    system: "http://unitsofmeasure.org",
    code: "s",
  });
  const [drift, ...others] = [...(noted.extension ?? [])].reverse();
  const valueQuantity = { value: 2, system: "http://unitsofmeasure.org", code: "min" };
  const inMinutes = { ...noted, extension: [...others, { url: drift?.url ?? "", valueQuantity }] };
  expect(clockCheckOf(inMinutes)).toMatchObject([{ check: { driftMs: 120_000 } }]);
});

test("a document states no clock where nobody noted it, or not when, or it is entered in error", () => {
  expect(clockCheckOf(uploadDocument({ ...upload, readIso }))).toEqual([]);
  expect(clockCheckOf(uploadDocument({ ...upload, driftMs: 400_000 }))).toEqual([]);
  const noted = uploadDocument({ ...upload, readIso, driftMs: 400_000 });
  expect(clockCheckOf({ ...noted, status: "entered-in-error" })).toEqual([]);
  expect(clockCheckOf({ ...noted, context: {} })).toEqual([]);
});
