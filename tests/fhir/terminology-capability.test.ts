import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { codeSystemResources } from "../../src/fhir/terminology/code-systems.ts";
import { terminologyCapabilities } from "../../src/fhir/terminology-capability.ts";

let everything: Definitions;
beforeAll(() => {
  everything = createDefinitions({ types: "all" });
});

const statement = () =>
  terminologyCapabilities({ baseUrl: "https://gate.test/fhir", softwareVersion: "0.1.0", date: "2026-03-01" });

// https://hl7.org/fhir/R4/terminologycapabilities.html with its invariants tcp-0 to tcp-6
test("the statement is a valid TerminologyCapabilities", () => {
  expect(checkResource(everything, statement())).toEqual([]);
});

test("it names each of our code systems by its url and no others", () => {
  expect(statement().codeSystem?.map((one) => one.uri)).toEqual(codeSystemResources().map((one) => one.url));
});
