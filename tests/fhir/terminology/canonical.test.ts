import { expect, test } from "vitest";
import { canonical, canonicalBase, extensionUrl, withoutVersion } from "../../../src/fhir/terminology/canonical.ts";

test("our own names stand under a domain that nobody can own (RFC 2606, .example)", () => {
  expect(new URL(canonicalBase).hostname.endsWith(".example")).toBe(true);
  expect(canonical("CodeSystem", "x")).toBe(`${canonicalBase}/CodeSystem/x`);
  expect(extensionUrl("y")).toBe(`${canonicalBase}/StructureDefinition/y`);
});

test("the version of a canonical stands behind a bar", () => {
  // https://hl7.org/fhir/R4/references.html#canonical
  expect(withoutVersion("urn:vs|1.2")).toBe("urn:vs");
  expect(withoutVersion("urn:vs")).toBe("urn:vs");
});
