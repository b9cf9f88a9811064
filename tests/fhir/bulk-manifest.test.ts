import { expect, test } from "vitest";
import { bulkManifest } from "../../src/fhir/bulk-manifest.ts";

// https://hl7.org/fhir/uv/bulkdata/STU2/export.html#response---complete-status: the members that are required there.
test("a manifest has what the guide requires, empty lists where there is nothing", () => {
  const file = { type: "Patient", url: "https://gate.test/fhir/$export/1/Patient-1.ndjson", count: 3 };
  const text = bulkManifest({
    transactionTimeMs: Date.UTC(2026, 5, 10, 12),
    request: "https://gate.test/fhir/$export",
    output: [file],
    deleted: [],
    error: [],
  });
  expect(JSON.parse(text)).toEqual({
    transactionTime: "2026-06-10T12:00:00.000Z",
    request: "https://gate.test/fhir/$export",
    requiresAccessToken: true,
    output: [file],
    deleted: [],
    error: [],
  });
});
