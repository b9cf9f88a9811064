import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { officialSearchParameters } from "../../../src/fhir/r4/search-parameters.ts";
import { checkResource } from "../../../src/fhir/resource-check.ts";
import { ownSearchParameters } from "../../../src/fhir/search/own-parameters.ts";
import { fullResource } from "./full-resource.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

test.each(ownSearchParameters.map((one) => [one.id, one] as const))("%s is a valid SearchParameter", (_, one) => {
  expect(checkResource(definitions, one)).toEqual([]);
});

test.each(ownSearchParameters.map((one) => [one.id, one] as const))(
  "%s fills a gap of R4 and finds a value",
  (_, one) => {
    const [type = ""] = one.base;
    const taken = officialSearchParameters().some(
      (other) => other.code === one.code && other.base.includes(type as never),
    );
    expect(taken).toBe(false);
    const atoms = definitions.parameters(type).get(one.code)?.atoms ?? [];
    expect(atoms.flatMap((atom) => atom.read(fullResource(type, 0)))).not.toEqual([]);
  },
);
