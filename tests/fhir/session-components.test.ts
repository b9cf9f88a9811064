import { expect, test } from "vitest";
import { componentsOf, measureSystem, measuresOf, numericComponents } from "../../src/fhir/session-components.ts";

const base = {
  sessionId: "s",
  patientId: "p",
  deviceId: "d",
  startMs: 0,
  endMs: 1,
  deviceStart: "x",
  localDay: "2026-01-01",
  readMs: 1,
  recordDigest: "",
};

test("what was not recorded has no component, and zero is not the same as not recorded", () => {
  expect(componentsOf(base)).toEqual([]);
  const [component] = componentsOf({ ...base, cyclesDelivered: 0 });
  expect(component?.valueQuantity?.value).toBe(0);
});

test("a median without percentiles is one component, with both it is three", () => {
  expect(componentsOf({ ...base, achievedInsufflationPressureCmH2O: { median: 34 } })).toHaveLength(1);
  expect(componentsOf({ ...base, achievedInsufflationPressureCmH2O: { median: 34, p5: 30, p95: 36 } })).toHaveLength(3);
});

test("components under another system's codes are passed over", () => {
  const [component] = componentsOf({ ...base, pulsePerMinute: 80 });
  const foreign = { ...component, code: { coding: [{ system: "urn:other", code: "pulse" }] } };
  expect(measuresOf([foreign])).toEqual({});
  expect(measuresOf([component as never])).toEqual({ pulsePerMinute: 80 });
});

test("measures that another system sent in other units are read in ours, and those without a unit not at all", () => {
  const sent = (code: string, valueQuantity: object) => ({
    code: { coding: [{ system: measureSystem, code }] },
    valueQuantity,
  });
  const system = "http://unitsofmeasure.org";
  expect(
    measuresOf([
      sent("set-exsufflation-pressure", { value: -3.92266, code: "kPa", system }),
      sent("peak-cough-flow", { value: 3.5, code: "L/s", system }),
      sent("insufflated-volume", { value: 1.45, code: "L", system }),
      sent("achieved-insufflation-pressure-median", { value: 34 }),
      sent("cycles-delivered", { value: 20 }),
    ]),
  ).toEqual({
    setExsufflationPressureCmH2O: -40,
    peakCoughFlowLitresPerMinute: 210,
    insufflatedVolumeMillilitres: 1450,
    cyclesDelivered: 20,
  });
});

test("each code stands for one measure, in UCUM as R4 writes it (case-sensitive, cm[H2O] and not cmH2O)", () => {
  expect(new Set(numericComponents.map((one) => one.code)).size).toBe(numericComponents.length);
  expect(new Set(numericComponents.map((one) => one.unit))).toEqual(
    new Set(["{cycle}", "cm[H2O]", "s", "mL", "L/min", "%", "/min"]),
  );
  expect(measureSystem).toMatch(/^https:\/\/tidegate\.example\//);
});
