import { expect, test } from "vitest";
import { plainRules } from "../../../src/fhir/checks/plain-rules.ts";

const holds = (key: string, value: object) => plainRules[key]?.(value as Record<string, unknown>);

// "If the end of the period is given as 2012-02-03, it includes 2012-02-03T10:00:00" by sense
// (https://hl7.org/fhir/R4/datatypes.html#Period): a shorter form stands for all it may mean.
test.each([
  [{ start: "2026-03-31T23:00:00Z", end: "2026-03" }, true],
  [{ start: "2026-02-03T10:00:00+01:00", end: "2026-02-03" }, true],
  [{ start: "2026-04-01", end: "2026-03" }, false],
  [{ start: "2026", end: "2025-12-31T23:59:59Z" }, false],
  [{ start: "2026-01-01T10:00:00+02:00", end: "2026-01-01T08:00:00Z" }, true],
  [{ start: "2026-01-01T10:00:01+02:00", end: "2026-01-01T08:00:00Z" }, false],
  [{ start: "2026-01-01" }, true],
])("whether the period %j is in order: %s", (period, inOrder) => {
  expect(holds("per-1", period)).toBe(inOrder);
});

// rng-2 at https://hl7.org/fhir/R4/datatypes.html#Range; 1 kPa is 10.2 cmH2O.
const ucum = (value: number, code: string) => ({ value, system: "http://unitsofmeasure.org", code });
test.each([
  [{ low: ucum(2, "s"), high: ucum(1, "s") }, false],
  [{ low: ucum(20, "cm[H2O]"), high: ucum(1, "kPa") }, false],
  [{ low: ucum(10, "cm[H2O]"), high: ucum(1, "kPa") }, true],
  [{ low: ucum(2, "s"), high: ucum(1, "m") }, true],
  [{ low: { value: 2, unit: "drops" }, high: { value: 1, unit: "spoons" } }, true],
])("whether the range %j ascends: %s", (range, ascends) => {
  expect(holds("rng-2", range)).toBe(ascends);
});

// obs-7 at https://hl7.org/fhir/R4/observation.html#invs
test("obs-7 is left to its expression only where a value and components stand together", () => {
  expect(holds("obs-7", { valueString: "a" })).toBe(true);
  expect(holds("obs-7", { component: [] })).toBe(true);
  expect(holds("obs-7", { valueString: "a", component: [] })).toBeUndefined();
});

// que-2 at https://hl7.org/fhir/R4/questionnaire.html#invs and csd-1 at https://hl7.org/fhir/R4/codesystem.html#invs
test("link ids of a questionnaire and codes of a code system are unique at every depth", () => {
  const items = (deepest: string) => ({ item: [{ linkId: "1", item: [{ linkId: "1.1" }] }, { linkId: deepest }] });
  const concepts = (deepest: string) => ({ concept: [{ code: "a" }, { code: "b", concept: [{ code: deepest }] }] });
  expect([holds("que-2", items("2")), holds("que-2", items("1.1")), holds("que-2", {})]).toEqual([true, false, true]);
  expect([holds("csd-1", concepts("c")), holds("csd-1", concepts("a")), holds("csd-1", {})]).toEqual([
    true,
    false,
    true,
  ]);
});
