import { readdirSync, readFileSync } from "node:fs";
import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions, defaultTypes } from "../../../src/fhir/definitions.ts";
import { extractIndexValues } from "../../../src/fhir/search/extract.ts";
import { maximalResource, variantsOf } from "../../support/maximal-resource.ts";
import { fullResource } from "./full-resource.ts";
import { interpretedValues, sortedValues } from "./interpreted-extraction.ts";

// Two readings of the same definitions (https://hl7.org/fhir/R4/searchparameter-registry.html): the compiled one, which
// keeps what it has worked out, and one that interprets every path with @medplum/core's FHIRPath and keeps nothing.
let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "all", ownBase: "https://example.org/fhir" });
});

function expectEqual(resource: Resource, about: string): void {
  const wanted = interpretedValues(definitions, resource);
  // Twice: the second time nearly every term is one that is kept.
  for (const round of [1, 2]) {
    const { hot, ...values } = extractIndexValues(definitions, resource);
    expect({ ...sortedValues(values), hot }, `${about}, round ${round}`).toEqual(wanted);
  }
}

const examples = readdirSync("seed/examples").filter((name) => name.endsWith(".json") && name !== "use-record.json");

test.each(examples)("%s, as the service maps it, is indexed alike by both", (name) => {
  expectEqual(JSON.parse(readFileSync(`seed/examples/${name}`, "utf8")) as Resource, name);
});

test.each(defaultTypes)(
  "a %s with every element that R4 gives it is indexed alike by both, in every choice of types",
  (type) => {
    for (let variant = 0; variant < 6; variant += 1) expectEqual(fullResource(type, variant) as Resource, `${variant}`);
    for (let variant = 0; variant < variantsOf(type); variant += 1) {
      expectEqual(JSON.parse(maximalResource(type, variant, "a")) as Resource, `maximal ${variant}`);
    }
  },
);
