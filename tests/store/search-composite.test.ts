import type { Measure, MolecularSequence, Observation, ObservationComponent, Quantity } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { openSearchWorld, type SearchWorld } from "./search-world.ts";

let world: SearchWorld;

beforeAll(async () => {
  // MolecularSequence is not among the types that are switched on by themselves.
  world = await openSearchWorld("all");
});

afterAll(() => world.close());

const ucum = "http://unitsofmeasure.org";
const system = "http://example.org/measure";

function coded(code: string) {
  return { coding: [{ system, code }] };
}

function amount(value: number, code: string): Quantity {
  return { value, unit: code, system: ucum, code };
}

function observation(id: string, fields: Partial<Observation>): Observation {
  return { resourceType: "Observation", id, status: "final", code: coded("panel"), ...fields };
}

function measured(code: string, value: number, unit: string): ObservationComponent {
  return { code: coded(code), valueQuantity: amount(value, unit) };
}

// https://hl7.org/fhir/R4/search.html#combining: the parts of a composite are taken together, unlike two parameters.
test("component-code-value-quantity finds only what has code and value in the same component", async () => {
  const tenant = await world.tenant("same component");
  await tenant.save(
    observation("high-flow", { component: [measured("flow", 300, "L/min"), measured("volume", 100, "mL")] }),
    observation("high-volume", { component: [measured("flow", 100, "L/min"), measured("volume", 300, "mL")] }),
    observation("swapped-units", { component: [measured("volume", 300, "L/min"), measured("flow", 100, "mL")] }),
    observation("single", { component: [measured("flow", 300, "L/min")] }),
    observation("single-other", { component: [measured("volume", 300, "L/min")] }),
    observation("third", {
      component: [measured("volume", 1, "mL"), measured("flow", 100, "L/min"), measured("flow", 300, "L/min")],
    }),
    observation("of-the-whole", { code: coded("flow"), valueQuantity: amount(300, "L/min") }),
    observation("no-value", { component: [{ code: coded("flow") }, measured("volume", 300, "L/min")] }),
    observation("none", {}),
  );
  const both = `component-code=flow&component-value-quantity=300|${ucum}|L/min`;
  expect(await tenant.ids("Observation", both)).toEqual(["high-flow", "no-value", "single", "swapped-units", "third"]);
  const found = (value: string) => tenant.ids("Observation", `component-code-value-quantity=${value}`);
  expect(await found(`flow$300|${ucum}|L/min`)).toEqual(["high-flow", "single", "third"]);
  expect(await found(`${system}|flow$300|${ucum}|L/min`)).toEqual(["high-flow", "single", "third"]);
  expect(await found(`http://example.org/else|flow$300|${ucum}|L/min`)).toEqual([]);
  expect(await found("volume$300")).toEqual(["high-volume", "no-value", "single-other", "swapped-units"]);
  // One of several values, each of them a whole pair.
  expect(await found("flow$300,volume$1")).toEqual(["high-flow", "single", "third"]);
  expect(await found("flow$1,volume$100")).toEqual(["high-flow"]);
});

// The prefixes are those of https://hl7.org/fhir/R4/search.html#prefix, the units those of
// https://hl7.org/fhir/R4/search.html#quantity; 5 L/s are 300 L/min.
test("a composite takes prefixes, and values in another unit of their kind", async () => {
  const tenant = await world.tenant("units together");
  await tenant.save(
    observation("a", { component: [measured("flow", 5, "L/s"), measured("volume", 1, "L")] }),
    observation("b", { component: [measured("flow", 200, "L/min"), measured("volume", 2000, "mL")] }),
    observation("c", { component: [measured("volume", 1, "L"), measured("flow", 400, "L/min")] }),
  );
  const found = (value: string) => tenant.ids("Observation", `component-code-value-quantity=${value}`);
  expect(await found(`flow$300|${ucum}|L/min`)).toEqual(["a"]);
  expect(await found(`flow$gt200|${ucum}|L/min`)).toEqual(["a", "c"]);
  expect(await found(`flow$ge200|${ucum}|L/min`)).toEqual(["a", "b", "c"]);
  expect(await found(`flow$lt5|${ucum}|L/s`)).toEqual(["b"]);
  expect(await found(`flow$ne5|${ucum}|L/s`)).toEqual(["b", "c"]);
  expect(await found(`flow$ap320|${ucum}|L/min`)).toEqual(["a"]);
  expect(await found(`volume$gt1000|${ucum}|mL`)).toEqual(["b"]);
  expect(await found(`volume$1000||mL`)).toEqual(["a", "c"]);
  expect(await found(`volume$gt0|${ucum}|L/min`)).toEqual([]);
});

// https://hl7.org/fhir/R4/observation.html#search: combo-* looks at the observation and at its components.
test("combo-code-value-quantity finds a pair in the observation itself or in one component", async () => {
  const tenant = await world.tenant("combo");
  await tenant.save(
    observation("whole", { code: coded("flow"), valueQuantity: amount(300, "L/min") }),
    observation("component", { component: [measured("volume", 1, "L"), measured("flow", 300, "L/min")] }),
    observation("crossed", {
      code: coded("flow"),
      valueQuantity: amount(100, "L/min"),
      component: [measured("volume", 300, "L/min"), measured("volume", 1, "L")],
    }),
    observation("code-above-value-below", { code: coded("flow"), component: [measured("volume", 300, "L/min")] }),
  );
  expect(await tenant.ids("Observation", `combo-code=flow&combo-value-quantity=300|${ucum}|L/min`)).toHaveLength(4);
  expect(await tenant.ids("Observation", `combo-code-value-quantity=flow$300|${ucum}|L/min`)).toEqual([
    "component",
    "whole",
  ]);
  expect(await tenant.ids("Observation", `code-value-quantity=flow$300|${ucum}|L/min`)).toEqual(["whole"]);
  expect(await tenant.ids("Observation", `code-value-quantity=flow$le300|${ucum}|L/min`)).toEqual(["crossed", "whole"]);
});

// https://hl7.org/fhir/R4/observation.html#search: component-code-value-concept, combo-…, code-value-concept, -string, -date.
test("two codes, a text or a date are taken together with the code as well", async () => {
  const tenant = await world.tenant("tokens");
  const said = (code: string, answer: string) => ({ code: coded(code), valueCodeableConcept: coded(answer) });
  await tenant.save(
    observation("yes-no", { component: [said("sputum", "yes"), said("pain", "no")] }),
    observation("no-yes", { component: [said("sputum", "no"), said("pain", "yes")] }),
    observation("yes", { component: [said("sputum", "yes")] }),
    observation("whole", { ...said("sputum", "yes") }),
    observation("text", { code: coded("remark"), valueString: "Stopped early" }),
    observation("date", { code: coded("fitted"), valueDateTime: "2026-03-04T10:00:00Z" }),
    observation("period", { code: coded("fitted"), valuePeriod: { start: "2026-03-04", end: "2026-03-06" } }),
  );
  const found = (text: string) => tenant.ids("Observation", text);
  expect(await found("component-code-value-concept=sputum$yes")).toEqual(["yes", "yes-no"]);
  expect(await found(`component-code-value-concept=${system}|sputum$${system}|no`)).toEqual(["no-yes"]);
  expect(await found("component-code-value-concept=sputum$no,pain$no")).toEqual(["no-yes", "yes-no"]);
  expect(await found("component-code-value-concept=sputum$maybe")).toEqual([]);
  expect(await found("combo-code-value-concept=sputum$yes")).toEqual(["whole", "yes", "yes-no"]);
  expect(await found("code-value-concept=sputum$yes")).toEqual(["whole"]);
  expect(await found("code-value-string=remark$stopped")).toEqual(["text"]);
  expect(await found("code-value-string=other$stopped")).toEqual([]);
  expect(await found("code-value-date=fitted$2026-03-04")).toEqual(["date"]);
  expect(await found("code-value-date=fitted$ge2026-03-05")).toEqual(["period"]);
  expect(await found("code-value-date=panel$ge2026-03-05")).toEqual([]);
});

// https://hl7.org/fhir/R4/measure.html#search: useContext, whose value is a Quantity, a Range or a code.
test("context-type-quantity and context-type-value of a Measure look at one context at a time", async () => {
  const tenant = await world.tenant("contexts");
  const measure = (id: string, useContext: NonNullable<Measure["useContext"]>): Measure => ({
    resourceType: "Measure",
    id,
    status: "active",
    useContext,
  });
  const type = (code: string) => ({ system: "http://terminology.hl7.org/CodeSystem/usage-context-type", code });
  const years = (low: number, high: number) => ({ low: amount(low, "a"), high: amount(high, "a") });
  await tenant.save(
    measure("adults", [
      { code: type("age"), valueRange: years(18, 65) },
      { code: type("gender"), valueCodeableConcept: coded("female") },
    ]),
    measure("exact", [{ code: type("age"), valueQuantity: amount(30, "a") }]),
    measure("crossed", [
      { code: type("age"), valueCodeableConcept: coded("female") },
      { code: type("focus"), valueQuantity: amount(30, "a") },
    ]),
  );
  const found = (text: string) => tenant.ids("Measure", text);
  expect(await found(`context-type-quantity=age$30|${ucum}|a`)).toEqual(["exact"]);
  expect(await found(`context-type-quantity=age$gt20|${ucum}|a`)).toEqual(["adults", "exact"]);
  expect(await found(`context-type-quantity=age$sa17|${ucum}|a`)).toEqual(["adults", "exact"]);
  expect(await found(`context-type-quantity=focus$gt20|${ucum}|a`)).toEqual(["crossed"]);
  expect(await found("context-type-value=gender$female")).toEqual(["adults"]);
  expect(await found("context-type-value=age$female")).toEqual(["crossed"]);
});

// https://hl7.org/fhir/R4/molecularsequence.html#search: the chromosome stands beside the variants, start and end in one.
test("chromosome-variant-coordinate takes start and end of one variant, and the chromosome from beside it", async () => {
  const tenant = await world.tenant("variants");
  const sequence = (id: string, chromosome: string, variants: readonly (readonly [number, number])[]) =>
    ({
      resourceType: "MolecularSequence",
      id,
      coordinateSystem: 0,
      referenceSeq: { chromosome: coded(chromosome), windowStart: 1, windowEnd: 100 },
      variant: variants.map(([start, end]) => ({ start, end })),
    }) satisfies MolecularSequence;
  await tenant.save(
    sequence("both", "1", [
      [10, 20],
      [30, 40],
    ]),
    sequence("crossed", "1", [
      [10, 40],
      [30, 20],
    ]),
    sequence("other-chromosome", "2", [
      [10, 20],
      [30, 40],
    ]),
    sequence("one", "1", [[10, 20]]),
    sequence("none", "1", []),
    { resourceType: "MolecularSequence", id: "no-chromosome", coordinateSystem: 0, variant: [{ start: 10, end: 20 }] },
  );
  const found = (text: string) => tenant.ids("MolecularSequence", text);
  expect(await found("chromosome-variant-coordinate=1$10$20")).toEqual(["both", "one"]);
  expect(await found("chromosome-variant-coordinate=1$10$40")).toEqual(["crossed"]);
  expect(await found("chromosome-variant-coordinate=1$gt15$lt25")).toEqual(["crossed"]);
  expect(await found("chromosome-variant-coordinate=2$ge30$le40")).toEqual(["other-chromosome"]);
  expect(await found("chromosome-window-coordinate=1$1$100")).toEqual(["both", "crossed", "none", "one"]);
  expect(await found("chromosome-window-coordinate=2$lt5$gt50")).toEqual(["other-chromosome"]);
});

// https://hl7.org/fhir/R4/search.html#combining: as many parts as the definition has components.
test.each(["flow", "flow$", "$300", "flow$300$1"])("a composite of the wrong number of parts is refused: %s", (value) =>
  expect(
    world.tenant("refused").then((tenant) => tenant.ids("Observation", `component-code-value-quantity=${value}`)),
  ).rejects.toThrow(/2 parts/),
);
