import type { DeviceRequest, DeviceRequestParameter } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { pressureSignFaults } from "../../../src/fhir/checks/pressure-signs.ts";
import { therapySystems } from "../../../src/fhir/terminology/therapy.ts";

const cmH2O = { unit: "cmH2O", system: "http://unitsofmeasure.org", code: "cm[H2O]" };

function request(code: string, amount: Omit<DeviceRequestParameter, "code">): DeviceRequest {
  return {
    resourceType: "DeviceRequest",
    intent: "order",
    subject: { reference: "Patient/1" },
    codeCodeableConcept: { coding: [{ system: therapySystems.therapy, code: "assisted-cough" }] },
    parameter: [{ code: { coding: [{ system: therapySystems.settingParameter, code }] }, ...amount }],
  };
}

const quantity = (value: number) => ({ valueQuantity: { value, ...cmH2O } });

// Common practice, no published source: exsufflation is suction, so its pressure is below that of the room and negative.
test.each([
  ["exsufflation-pressure", quantity(-40)],
  ["insufflation-pressure", quantity(40)],
  ["exsufflation-pressure", { valueRange: { low: { value: -45 }, high: { value: -35 } } }],
  ["insufflation-time", quantity(2)],
])("%s as %j is taken", (code, amount) => {
  expect(pressureSignFaults(request(code, amount))).toEqual([]);
});

test.each([
  ["exsufflation-pressure", quantity(40), "value.value", "Write exsufflation pressure as a negative number"],
  ["exsufflation-pressure", quantity(0), "value.value", "Write exsufflation pressure as a negative number"],
  ["insufflation-pressure", quantity(-40), "value.value", "Write insufflation pressure as a positive number"],
  [
    "exsufflation-pressure",
    { valueRange: { low: { value: -45 }, high: { value: 35 } } },
    "value.high.value",
    "Write exsufflation",
  ],
])("%s as %j is refused", (code, amount, place, text) => {
  const faults = pressureSignFaults(request(code, amount));
  expect(faults).toMatchObject([{ kind: "business-rule", at: `DeviceRequest.parameter[0].${place}`, status: 422 }]);
  expect(faults[0]?.detail).toContain(text);
});

test("parameters of other systems mean what those say", () => {
  const foreign = {
    code: { coding: [{ system: "http://example.org", code: "exsufflation-pressure" }] },
    ...quantity(40),
  };
  expect(pressureSignFaults({ ...request("x", {}), parameter: [foreign] })).toEqual([]);
});
