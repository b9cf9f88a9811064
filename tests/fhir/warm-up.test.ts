import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";
import { warmUp } from "../../src/fhir/warm-up.ts";

const session = JSON.parse(readFileSync("seed/examples/observation-session.json", "utf8"));

test("the types of every day come first, and each type that is switched on comes once", () => {
  const asked: string[] = [];
  const definitions = createDefinitions({ types: ["Account", "Observation", "Patient"] });
  const listening = {
    ...definitions,
    parameters: (type: string) => {
      asked.push(type);
      return definitions.parameters(type);
    },
  };
  for (const step of warmUp(listening)) step();
  expect(asked).toEqual(["Patient", "Observation", "Account"]);
});

test("profiles are read as well", () => {
  let made = 0;
  const profiles = () => {
    made += 1;
    return [];
  };
  for (const step of warmUp(createDefinitions({ types: ["Flag"], profiles }))) step();
  expect(made).toBe(1);
});

test("stopped half-way, and done to the end for every type of R4, it changes no answer", () => {
  const cold = createDefinitions({ types: "all" });
  const before = [checkResource(cold, session), extractIndexValues(cold, session)];
  const warm = createDefinitions({ types: "all" });
  const steps = [...warmUp(warm)];
  expect(steps.length).toBeGreaterThan(warm.types.length * 2);
  for (const step of steps.slice(0, 20)) step();
  expect([checkResource(warm, session), extractIndexValues(warm, session)]).toEqual(before);
  for (const step of steps) step();
  expect([checkResource(warm, session), extractIndexValues(warm, session)]).toEqual(before);
});
