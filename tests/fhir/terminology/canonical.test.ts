import { expect, test } from "vitest";
import { canonical, canonicalBase, extensionUrl } from "../../../src/fhir/terminology/canonical.ts";

test("our own names stand under a domain that nobody can own (RFC 2606, .example)", () => {
  expect(new URL(canonicalBase).hostname.endsWith(".example")).toBe(true);
  expect(canonical("CodeSystem", "x")).toBe(`${canonicalBase}/CodeSystem/x`);
  expect(extensionUrl("y")).toBe(`${canonicalBase}/StructureDefinition/y`);
});
